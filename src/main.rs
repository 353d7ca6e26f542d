//! The `endgrain` command.
fn main() {}
