//! Shares of a folder for several machines.
//!
//! Which part a photo belongs to follows from its path below the folder given, by SHA-256, and from
//! nothing else: not from where the folder is mounted, not from what else lies in it. So every
//! machine comes to the same shares, and a photo that is added later moves no other.

use super::collect::Found;
use sha2::{Digest, Sha256};
use std::fmt;
use std::path::{Component, Path};
use std::str::FromStr;

/// Most parts that a run may have: more than any queue that photos are read on has slots.
const MOST_PARTS: u32 = 10_000;

/// One part of several: `3/8` is the third of eight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Part {
    /// Which one, from 1.
    pub number: u32,
    /// Of how many.
    pub of: u32,
}

impl Part {
    /// Whether a photo belongs to this part.
    pub fn holds(self, found: &Found) -> bool {
        let digest = Sha256::digest(name_of(&found.below));
        let first: [u8; 8] = std::array::from_fn(|i| digest[i]);
        // Of 2^64 values the remainder favours no part by more than one in a thousand million.
        u64::from_be_bytes(first) % u64::from(self.of) + 1 == u64::from(self.number)
    }
}

/// A path as the same bytes on every machine: its parts with a slash between.
pub(super) fn name_of(below: &Path) -> Vec<u8> {
    let parts: Vec<&[u8]> = below
        .components()
        .filter_map(|part| match part {
            Component::Normal(name) => Some(name.as_encoded_bytes()),
            _ => None,
        })
        .collect();
    parts.join(&b'/')
}

impl fmt::Display for Part {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.number, self.of)
    }
}

impl FromStr for Part {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let numbers = text
            .split_once('/')
            .and_then(|(number, of)| Some((number.trim().parse().ok()?, of.trim().parse().ok()?)));
        match numbers {
            Some((number, of)) if (1..=of).contains(&number) && of <= MOST_PARTS => {
                Ok(Part { number, of })
            }
            _ => Err(format!(
                "give K/N, K from 1 to N and N at most {MOST_PARTS}, such as 3/8"
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Part;
    use crate::batch::Found;

    fn found(below: &str) -> Found {
        Found {
            path: format!("somewhere/{below}").into(),
            below: below.into(),
        }
    }

    #[test]
    fn every_photo_is_in_one_part_and_parts_are_about_even() {
        let photos: Vec<Found> = (0..8000)
            .map(|i| found(&format!("x/log-{i}.jpg")))
            .collect();
        let parts: Vec<Part> = (1..=8).map(|number| Part { number, of: 8 }).collect();
        let mut sizes = [0; 8];
        for photo in &photos {
            let held: Vec<usize> = (0..8).filter(|k| parts[*k].holds(photo)).collect();
            assert_eq!(held.len(), 1, "{photo:?}");
            sizes[held[0]] += 1;
        }
        // 1000 expected, standard deviation sqrt(8000 x 1/8 x 7/8) = 30: five of them.
        assert!(sizes.iter().all(|n| (850..=1150).contains(n)), "{sizes:?}");
    }

    #[test]
    fn the_share_is_that_of_the_hash_of_the_path() {
        // Python 3: int.from_bytes(hashlib.sha256(b"x/log-7.jpg").digest()[:8], "big") % 8 + 1
        assert!(Part { number: 1, of: 8 }.holds(&found("x/log-7.jpg")));
    }

    #[test]
    fn parts_are_written_k_of_n() {
        assert_eq!("3/8".parse(), Ok(Part { number: 3, of: 8 }));
        assert_eq!(Part { number: 3, of: 8 }.to_string(), "3/8");
        for text in [
            "", "3", "0/8", "9/8", "1/0", "-1/8", "a/b", "1/10001", "1/2/3",
        ] {
            assert!(text.parse::<Part>().is_err(), "{text:?}");
        }
    }
}
