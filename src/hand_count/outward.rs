//! The marks of a hand count in their order, from the pith outward. Marks that can't be right are told
//! of and left out: a ring twice, one beyond the total, one that goes inward.

use super::marks::{HandCount, Mark};
use crate::error::Error;

/// Puts each mark in its place and orders them; tells of those that can't be right, in the order in
/// which they were written.
///
/// `place` says where a mark is, or what is wrong with it, and `distance` how far out that is: in any
/// measure that rises along the way.
pub(super) fn in_order<T>(
    hand: &HandCount,
    place: impl Fn(&Mark) -> Result<T, Error>,
    distance: impl Fn(&T) -> f64,
) -> (Vec<(u32, T)>, Vec<Error>) {
    let mut faults = Vec::new();
    let mut sorted: Vec<&Mark> = hand.marks.iter().collect();
    sorted.sort_by_key(|mark| mark.ring);
    let mut placed: Vec<(u32, T)> = Vec::new();
    for mark in sorted {
        let ring = mark.ring;
        let mut refuse =
            |what: String, way_out: &str| faults.push(mark.origin.fault(what, way_out));
        if placed.last().is_some_and(|(before, _)| *before == ring) {
            refuse(
                format!("ring {ring} a second time"),
                "give each ring one mark; the first one was taken",
            );
            continue;
        }
        if let Some(total) = hand.total.filter(|total| ring > *total) {
            refuse(
                format!("ring {ring} of a disc whose total is {total}"),
                "count marks from 1 at the pith, or correct the total",
            );
            continue;
        }
        let at = match place(mark) {
            Ok(at) => at,
            Err(fault) => {
                faults.push(fault);
                continue;
            }
        };
        if let Some((before, inner)) = placed.last()
            && distance(&at) <= distance(inner)
        {
            refuse(
                format!("ring {ring} lies no farther from the pith than ring {before}"),
                "ring numbers grow from the pith outward; this mark was left out",
            );
            continue;
        }
        placed.push((ring, at));
    }
    // Where they were written, then by ring: the order of the file.
    faults.sort_by_key(|fault| match fault {
        Error::BadData { line, .. } => *line,
        _ => None,
    });
    (placed, faults)
}
