//! The reading's rings along one line: which ring lies at a distance from the pith.

use crate::reading::{Reading, radius_at};
use crate::ring_area::equivalent_radius_px;

/// Ring numbers and the distances of their outer edges from the pith, both rising.
#[derive(Debug, Clone, PartialEq)]
pub struct Ladder {
    /// Number and distance, px. Begins with ring 0 at the pith where no ring is lost with the centre.
    rungs: Vec<(f64, f64)>,
    /// Distance of the wood's edge, px, where it is in the photo.
    pub edge_px: Option<f64>,
}

impl Ladder {
    /// The rings at an azimuth, or with `None` by their equivalent radii, sqrt(area / pi): what a
    /// diameter, or a distance along a line that is not known, is to be held against.
    pub fn of(reading: &Reading, azimuth_deg: Option<f64>) -> Ladder {
        let distance = |boundary: &[Option<f64>]| match azimuth_deg {
            Some(azimuth) => radius_at(boundary, azimuth),
            None => equivalent_radius_px(boundary),
        };
        let mut rungs = Vec::with_capacity(reading.rings.len() + 1);
        if reading.rings.first().is_some_and(|ring| ring.number == 1) {
            rungs.push((0.0, 0.0));
        }
        for ring in &reading.rings {
            let beyond = rungs.last().map_or(0.0, |(_, px)| *px);
            // Of boundaries that are given by area where too little of one was seen, few could cross.
            if let Some(px) = distance(&ring.radius_px).filter(|px| *px > beyond) {
                rungs.push((f64::from(ring.number), px));
            }
        }
        let edge_px = distance(&reading.outline.radius_px);
        Ladder { rungs, edge_px }
    }

    /// A ladder of given numbers and distances, px: a hand count's own marks, say. Both must rise.
    pub fn from_rungs(rungs: Vec<(f64, f64)>) -> Ladder {
        debug_assert!(rungs.windows(2).all(|w| w[0].0 < w[1].0 && w[0].1 < w[1].1));
        Ladder {
            rungs,
            edge_px: None,
        }
    }

    /// Ring number at a distance from the pith, whole at a ring's outer edge, between edges in a
    /// straight line. Beyond the last ring at most half a ring more; `None` within a lost centre.
    pub fn number_at(&self, distance_px: f64) -> Option<f64> {
        let (first, last) = (self.rungs.first()?, self.rungs.last()?);
        let number = self.place_at(distance_px)?;
        (distance_px >= first.1).then_some(number.min(last.0 + 0.5))
    }

    /// Place of a distance among the rings, rising all the way: the ring number, carried on in a
    /// straight line within a lost centre and beyond the last ring. `None` without rings.
    pub fn place_at(&self, distance_px: f64) -> Option<f64> {
        let next = self.rungs.partition_point(|(_, px)| *px <= distance_px);
        let (inner, outer) = match (self.rungs.get(next.wrapping_sub(1)), self.rungs.get(next)) {
            (None, None) => return None,
            (None, Some(first)) => ((0.0, 0.0), *first),
            (Some(inner), Some(outer)) => (*inner, *outer),
            (Some((number, px)), None) => {
                let width = self.last_width_px();
                // The pith alone has no width: all that lies beyond it is equally far out.
                let more = if width > 0.0 {
                    (distance_px - px) / width
                } else {
                    0.5
                };
                return Some(number + more);
            }
        };
        Some(inner.0 + (outer.0 - inner.0) * (distance_px - inner.1) / (outer.1 - inner.1))
    }

    /// Distance of a ring's outer edge from the pith, px; numbers between in a straight line.
    pub fn distance_px(&self, number: f64) -> Option<f64> {
        let next = self.rungs.partition_point(|(n, _)| *n <= number);
        let (n, px) = *self.rungs.get(next.checked_sub(1)?)?;
        match self.rungs.get(next) {
            Some((outer, outer_px)) => Some(px + (outer_px - px) * (number - n) / (outer - n)),
            None => (number - n < 1e-9).then_some(px),
        }
    }

    /// Width of the ring in which a distance lies, px; of the last one beyond it.
    pub fn width_px_at(&self, distance_px: f64) -> f64 {
        let next = self.rungs.partition_point(|(_, px)| *px <= distance_px);
        match (self.rungs.get(next.wrapping_sub(1)), self.rungs.get(next)) {
            (Some((n, px)), Some((outer, outer_px))) => (outer_px - px) / (outer - n),
            _ => self.last_width_px(),
        }
    }

    fn last_width_px(&self) -> f64 {
        match self.rungs.as_slice() {
            [.., (n, px), (outer, outer_px)] => (outer_px - px) / (outer - n),
            [(_, px)] => *px,
            _ => 0.0,
        }
    }

    /// Number of the last ring on the line.
    pub fn last_number(&self) -> Option<f64> {
        self.rungs.last().map(|(number, _)| *number)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ring_numbers_lie_between_their_edges_in_a_straight_line() {
        let ladder = Ladder::from_rungs(vec![(0.0, 0.0), (1.0, 10.0), (2.0, 16.0), (4.0, 24.0)]);
        for (px, number) in [
            (0.0, 0.0),
            (5.0, 0.5),
            (10.0, 1.0),
            (13.0, 1.5),
            (20.0, 3.0),
            (24.0, 4.0),
            (26.0, 4.5),
            (99.0, 4.5),
        ] {
            assert!(
                (ladder.number_at(px).unwrap() - number).abs() < 1e-12,
                "{px}"
            );
        }
        assert_eq!(ladder.distance_px(3.0), Some(20.0));
        assert_eq!(ladder.distance_px(4.0), Some(24.0));
        assert_eq!(ladder.distance_px(4.5), None);
    }

    #[test]
    fn a_lost_centre_has_no_rings_to_number() {
        let ladder = Ladder::from_rungs(vec![(12.0, 40.0), (13.0, 50.0)]);
        assert_eq!(ladder.number_at(39.0), None);
        assert_eq!(ladder.number_at(45.0), Some(12.5));
        // By hand: half way to ring 12, and three rings of 10 px beyond ring 13.
        assert_eq!(ladder.place_at(20.0), Some(6.0));
        assert_eq!(ladder.place_at(80.0), Some(16.0));
        assert_eq!(Ladder::from_rungs(Vec::new()).number_at(1.0), None);
    }
}
