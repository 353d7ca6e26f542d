//! Reading processes: this program started again by itself, and the signals that end a run.

use super::DONE;
use super::console::Console;
use endgrain::batch::{self, Processes, Stop, StopReason};
use endgrain::error::Error;
use endgrain::settings::Settings;
use std::io;
use std::path::PathBuf;

/// The command by which the program starts itself. Not for people: it talks in bytes.
pub(super) const NAME: &str = "reading-process";

/// Whether the run has been asked to stop; signals find it here.
static STOP: Stop = Stop::new();

/// This program, to be started again.
fn this_program() -> Result<PathBuf, Error> {
    // The link leads to the program that runs even where its file has been replaced since.
    let link = PathBuf::from("/proc/self/exe");
    if link.exists() {
        return Ok(link);
    }
    std::env::current_exe().map_err(|source| Error::Fault {
        path: "endgrain".into(),
        what: format!("the program's own file can't be found: {source}"),
    })
}

/// What reads photos in processes of their own.
pub(super) fn start(settings: &Settings) -> Result<Processes, Error> {
    Processes::new(this_program()?, vec![NAME.into()], settings)
}

/// Is such a process.
pub(super) fn serve() -> Result<u8, Error> {
    // A signal to the whole group is for the run to hear, which lets photos in work be finished.
    // If it can't be kept off, the photo is lost and told of.
    let _ = ctrlc::set_handler(|| {});
    // Photos are what is read side by side, not the parts of one.
    let _ = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build_global();
    // Its end means that the program that started this one is gone, or has no more photos.
    let leave = || std::process::exit(i32::from(DONE));
    let served = batch::serve(
        io::stdin(),
        io::stdout().lock(),
        &batch::read_and_draw_ends,
        leave,
    );
    served.map(|()| DONE).map_err(|source| Error::Unreadable {
        path: "the program that started this process".into(),
        source,
    })
}

/// Lets SIGINT, SIGTERM and their like ask for the run's end; a second one ends it at once.
pub(super) fn stop_on_signals(console: &Console) -> &'static Stop {
    let handled = ctrlc::set_handler(|| {
        if STOP.ask(StopReason::Asked) {
            std::process::exit(i32::from(super::STOPPED));
        }
        Console::new().say("stopping after the photos in work; once more to leave at once");
    });
    if let Err(refused) = handled {
        console.say(&format!("signals will end the run at once: {refused}"));
    }
    &STOP
}
