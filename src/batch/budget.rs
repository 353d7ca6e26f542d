//! Memory that photos in work share.
//!
//! What a photo needs is told by its header: [`PIXEL_BYTES`] for each of its pixels (more where its
//! decoder hands out more than 8 bits a channel), its file, and [`BASE_BYTES`] for the process that
//! reads it. Photos wait until what they need is free, first come first served, so that a large one is
//! not passed by small ones for ever. One that needs more than there is at all is refused.

use crate::photo::Header;
use std::sync::{Condvar, Mutex, PoisonError};

/// Bytes that reading and drawing take for each pixel of a photo, decoded picture included.
pub const PIXEL_BYTES: u64 = 30;
/// Bytes that a process takes beside its photo: the program, tables, letters, planes of fixed size.
pub const BASE_BYTES: u64 = 100_000_000;

/// What reading a photo takes, bytes: an upper bound.
pub fn need_bytes(header: &Header, file_bytes: u64) -> u64 {
    // Beyond RGB of 8 bits the picture as decoded lies beside the one that is made of it.
    let wider = header.pixel_bytes.saturating_sub(3);
    let pixel_bytes = PIXEL_BYTES + wider + wider / 2;
    BASE_BYTES + file_bytes + header.pixels() * pixel_bytes
}

/// The memory that there is for all photos in work.
#[derive(Debug)]
pub struct Budget {
    total_bytes: u64,
    state: Mutex<State>,
    freed: Condvar,
}

#[derive(Debug)]
struct State {
    free_bytes: u64,
    /// The ticket that the next comer draws.
    next: u64,
    /// The ticket whose turn it is.
    turn: u64,
}

/// Memory that a photo holds while this value lives.
#[derive(Debug)]
#[must_use]
pub struct Held<'a> {
    budget: &'a Budget,
    bytes: u64,
}

impl Budget {
    /// A budget of so many bytes.
    pub fn new(total_bytes: u64) -> Self {
        Budget {
            total_bytes,
            state: Mutex::new(State {
                free_bytes: total_bytes,
                next: 0,
                turn: 0,
            }),
            freed: Condvar::new(),
        }
    }

    /// All of it, bytes.
    pub fn total_bytes(&self) -> u64 {
        self.total_bytes
    }

    /// Waits until so many bytes are free and holds them; `None` where there are never so many.
    pub fn hold(&self, bytes: u64) -> Option<Held<'_>> {
        if bytes > self.total_bytes {
            return None;
        }
        // A thread that panicked holding the lock left two whole numbers: still good.
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let ticket = state.next;
        state.next += 1;
        while state.turn != ticket || state.free_bytes < bytes {
            state = self
                .freed
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
        }
        state.turn += 1;
        state.free_bytes -= bytes;
        // The next in line may have room as well.
        self.freed.notify_all();
        Some(Held {
            budget: self,
            bytes,
        })
    }
}

impl Drop for Held<'_> {
    fn drop(&mut self) {
        let state = self.budget.state.lock();
        state.unwrap_or_else(PoisonError::into_inner).free_bytes += self.bytes;
        self.budget.freed.notify_all();
    }
}

#[cfg(test)]
mod tests {
    use super::{Budget, need_bytes};
    use crate::photo::Header;
    use std::sync::Mutex;
    use std::time::Duration;

    #[test]
    fn a_photo_of_12_megapixels_needs_less_than_half_a_gigabyte() {
        let header = |pixel_bytes| Header {
            width_px: 4000,
            height_px: 3000,
            pixel_bytes,
        };
        // 12e6 x 30 + 100e6 + 5e6
        assert_eq!(need_bytes(&header(3), 5_000_000), 465_000_000);
        assert!(need_bytes(&header(16), 0) > need_bytes(&header(3), 0) + 12_000_000 * 13);
    }

    #[test]
    fn no_more_is_held_than_there_is_and_everybody_gets_a_turn() {
        let budget = Budget::new(100);
        assert!(budget.hold(101).is_none());
        let (now, most, done) = (Mutex::new(0_u64), Mutex::new(0), Mutex::new(0));
        std::thread::scope(|scope| {
            for i in 0..40_u64 {
                let (budget, now, most, done) = (&budget, &now, &most, &done);
                scope.spawn(move || {
                    let bytes = if i % 10 == 0 { 100 } else { 30 };
                    let held = budget.hold(bytes).unwrap();
                    let sum = {
                        let mut now = now.lock().unwrap();
                        *now += bytes;
                        *now
                    };
                    let mut most = most.lock().unwrap();
                    *most = sum.max(*most);
                    drop(most);
                    std::thread::sleep(Duration::from_millis(1));
                    *now.lock().unwrap() -= bytes;
                    drop(held);
                    *done.lock().unwrap() += 1;
                });
            }
        });
        assert_eq!(*done.lock().unwrap(), 40);
        let most = *most.lock().unwrap();
        assert!((60..=100).contains(&most), "{most}");
    }
}
