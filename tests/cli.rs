//! Uses of the command, one a file in `tests/cmd/`: arguments, streams, status. `TRYCMD=overwrite
//! cargo test --test cli` rewrites what they expect; read the difference before you keep it.

#[test]
fn the_command_behaves_as_written_down() {
    trycmd::TestCases::new()
        .env("COLUMNS", "100")
        .env("NO_COLOR", "1")
        .case("tests/cmd/*.toml");
}
