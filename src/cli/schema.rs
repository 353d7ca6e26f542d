//! `endgrain schema`.

use super::DONE;
use super::console::Console;
use endgrain::error::Error;
use endgrain::schema;

const EXAMPLES: &str = "\
Examples:
  endgrain schema > endgrain.reading.schema.json";

/// Print the JSON Schema of a reading (endgrain.reading/1)
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {}

pub(super) fn run(_: &Args, console: &mut Console) -> Result<u8, Error> {
    console.print(schema::READING);
    Ok(DONE)
}
