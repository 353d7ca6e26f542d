//! Being asked to stop: photos in hand are finished, no other is begun.

use std::sync::atomic::{AtomicU8, Ordering};

/// Why a run ends before its last photo.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StopReason {
    /// The user, or the system, asked for it.
    Asked,
    /// The disk is full or can't be written any more: no further photo's files would fit.
    Disk,
}

/// A flag that any thread, or a signal's handler, may set.
#[derive(Debug, Default)]
pub struct Stop(AtomicU8);

impl Stop {
    /// A flag that isn't set.
    pub const fn new() -> Self {
        Stop(AtomicU8::new(0))
    }

    /// Asks for the end; the first reason stays. Gives whether one had been given before.
    pub fn ask(&self, reason: StopReason) -> bool {
        let code = match reason {
            StopReason::Asked => 1,
            StopReason::Disk => 2,
        };
        self.0
            .compare_exchange(0, code, Ordering::SeqCst, Ordering::SeqCst)
            .is_err()
    }

    /// Why the run is to end; `None` while it isn't.
    pub fn reason(&self) -> Option<StopReason> {
        match self.0.load(Ordering::SeqCst) {
            0 => None,
            1 => Some(StopReason::Asked),
            _ => Some(StopReason::Disk),
        }
    }
}
