//! The comparison: the total against the band, and stretch by stretch where the two part.
//!
//! Marks become distances from the reading's pith, px, and those ring numbers of the reading
//! ([`Ladder`]). A stretch runs from mark to mark, the first from the pith, the last to the bark
//! where there is a total. Marks that can't be right (a ring twice, going inward, beyond the bark) are
//! told of and left out; the rest is compared all the same.

use super::doubt::{self, Between, Judged};
use super::ladder::Ladder;
use super::marks::{HandCount, Mark, Place};
use super::outward;
use crate::draw::SURE_FROM;
use crate::error::Error;
use crate::reading::Reading;
use crate::ring_area::equivalent_radius_px;
use serde::{Deserialize, Serialize};

/// What came out for a total or a stretch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Finding {
    /// Hand and reading agree.
    Agrees,
    /// They don't, but the reading isn't sure enough to say who is wrong.
    WithinDoubt,
    /// They don't, and the hand is likely wrong.
    Differs,
    /// The reading says nothing there.
    NotRead,
}

impl Finding {
    /// The finding's name in tables and records.
    pub fn name(self) -> &'static str {
        match self {
            Finding::Agrees => "agrees",
            Finding::WithinDoubt => "within doubt",
            Finding::Differs => "differs",
            Finding::NotRead => "not read",
        }
    }
}

/// A stretch of which the hand is right with less than this chance is said to differ. 0.3: on clean
/// practice discs one right count in twenty is then wrongly said to differ somewhere, at 0.45 one in
/// twelve; which stretch is named first doesn't depend on it.
pub const DIFFERS_BELOW: f64 = 0.3;

/// A total against the reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TotalComparison {
    /// Rings by the hand.
    pub hand: u32,
    /// Best count of the reading.
    pub reading: u32,
    /// Lower end of the reading's band.
    pub low: u32,
    /// Upper end of the reading's band; unknown where the reading is an "at least".
    pub high: Option<u32>,
    /// Hand less reading.
    pub difference: i64,
    /// What came out.
    pub finding: Finding,
}

/// A mark at its place in the photo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlacedMark {
    /// Ring number by the hand.
    pub ring: u32,
    /// Calendar year of that ring by the hand, where its total and the last ring's year are known.
    pub year: Option<i32>,
    /// Direction from the pith, degrees clockwise from the right, where it is known.
    pub azimuth_deg: Option<f64>,
    /// Distance from the reading's pith, px.
    pub distance_px: f64,
    /// Sd with which the place was told, px.
    pub sd_px: f64,
    /// Ring number of the reading there, whole on a ring's outer edge; unknown within a lost centre.
    pub reading_ring: Option<f64>,
    /// Distance from the pith of the ring that has this number in the reading, px.
    pub reading_distance_px: Option<f64>,
    /// Diameter by the hand, mm: as it was given, or twice the distance.
    pub diameter_mm: Option<f64>,
    /// Diameter of the ring that has this number in the reading, mm: along the line twice its
    /// distance, else from its area.
    pub reading_diameter_mm: Option<f64>,
}

/// A stretch between marks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stretch {
    /// Number at its inner end by the hand; 0 for the pith.
    pub from_ring: u32,
    /// Number at its outer end by the hand.
    pub to_ring: u32,
    /// Whether it ends at the bark.
    pub ends_at_edge: bool,
    /// Inner end, px from the pith.
    pub from_px: f64,
    /// Outer end, px from the pith.
    pub to_px: f64,
    /// Direction of its line, degrees, where it is known.
    pub azimuth_deg: Option<f64>,
    /// Rings by the hand.
    pub hand_rings: u32,
    /// Rings by the reading.
    pub reading_rings: Option<u32>,
    /// Numbers in the reading of the first and last ring in it.
    pub reading_numbers: Option<(u32, u32)>,
    /// Ends of the reading's band.
    pub band: Option<(u32, u32)>,
    /// How many of the reading's rings in it are sure.
    pub sure_rings: u32,
    /// Hand less reading.
    pub difference: Option<i64>,
    /// Chance that the hand's rings are right, 0 to 1.
    pub hand_right: Option<f64>,
    /// What came out.
    pub finding: Finding,
}

/// A hand count against a reading.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// The totals, where the hand has one and the reading counted.
    pub total: Option<TotalComparison>,
    /// The marks at their places, from the pith outward.
    pub marks: Vec<PlacedMark>,
    /// The stretches, from the pith outward.
    pub stretches: Vec<Stretch>,
    /// The stretches that part, the likeliest fault first, as places in `stretches`.
    pub suspects: Vec<usize>,
}

impl Comparison {
    /// The stretch where the two most likely part, if they part at all.
    pub fn first_suspect(&self) -> Option<&Stretch> {
        self.stretches.get(*self.suspects.first()?)
    }

    /// The worst of all findings: of the total and of the stretches.
    pub fn finding(&self) -> Finding {
        let all = self.stretches.iter().map(|stretch| stretch.finding);
        let all = all.chain(self.total.map(|total| total.finding));
        let rank = |finding: &Finding| match finding {
            Finding::NotRead => 0,
            Finding::Agrees => 1,
            Finding::WithinDoubt => 2,
            Finding::Differs => 3,
        };
        all.max_by_key(rank).unwrap_or(Finding::NotRead)
    }
}

/// What is known besides the count and the reading.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Given {
    /// Direction of the line that was counted on, degrees clockwise from the right. Marks at points
    /// have their own.
    pub azimuth_deg: Option<f64>,
    /// Scale, mm a px, where the reading has none or another is meant.
    pub mm_per_px: Option<f64>,
    /// Calendar year of the outermost ring.
    pub last_ring: Option<i32>,
}

impl Given {
    /// The same with the scale that the face's mean diameter inside the bark gives, where no scale is
    /// given.
    pub(super) fn scaled_by(mut self, diameter_mm: Option<f64>, reading: &Reading) -> Given {
        self.mm_per_px = self.mm_per_px.or_else(|| {
            let radius = equivalent_radius_px(&reading.outline.radius_px)?;
            Some(diameter_mm? / (2.0 * radius)).filter(|_| radius > 0.0)
        });
        self
    }
}

/// Compares a hand count with a reading of the same disc; also gives a sentence for each mark that
/// can't be right and was left out.
pub fn compare(hand: &HandCount, reading: &Reading, given: &Given) -> (Comparison, Vec<Error>) {
    let total = total(hand, reading);
    if !reading.is_counted() {
        return (Comparison::default(), Vec::new());
    }
    let (marks, faults) = place_all(hand, reading, given);
    let mut comparison = Comparison {
        total,
        ..against(&marks, hand.total, reading)
    };
    comparison.marks = marks;
    (comparison, faults)
}

/// The total against the band.
fn total(hand: &HandCount, reading: &Reading) -> Option<TotalComparison> {
    let rings = hand.total.filter(|_| reading.is_counted())?;
    let age = &reading.age;
    let high = age.complete.then_some(age.high).or_else(|| {
        // A centre that is lost has a band of its own; an edge that is not in the photo has none.
        (age.missing_centre.rings > 0 && edge_is_in_photo(reading)).then_some(age.high)
    });
    let finding = if rings < age.low || high.is_some_and(|high| rings > high) {
        Finding::Differs
    } else if rings == age.rings {
        Finding::Agrees
    } else {
        Finding::WithinDoubt
    };
    Some(TotalComparison {
        hand: rings,
        reading: age.rings,
        low: age.low,
        high,
        difference: i64::from(rings) - i64::from(age.rings),
        finding,
    })
}

fn edge_is_in_photo(reading: &Reading) -> bool {
    use crate::reading::OutlineState;
    matches!(
        reading.outline.state,
        OutlineState::Bark | OutlineState::Wood
    )
}

/// Half a unit of the last place, spread evenly, has this sd in units of the last place: 1/sqrt(12).
const SD_OF_ROUNDING: f64 = 0.288_675_134_594_812_9;

/// How far beyond the edge of the wood a mark may lie, as a share of the edge's distance: edges are
/// found, and lines measured, about so well.
const BEYOND_EDGE: f64 = 0.03;

/// Places the marks, from the pith outward; tells of those that can't be right.
pub(super) fn place_all(
    hand: &HandCount,
    reading: &Reading,
    given: &Given,
) -> (Vec<PlacedMark>, Vec<Error>) {
    let place = |mark: &Mark| {
        let at = place(mark, hand, reading, given)?;
        match Ladder::of(reading, at.azimuth_deg).edge_px {
            Some(edge) if at.distance_px > edge * (1.0 + BEYOND_EDGE) + 2.0 * at.sd_px + 1.0 => {
                Err(mark.origin.fault(
                    format!(
                        "ring {} lies beyond the bark: {:.0} px from the pith, the wood ends at {edge:.0} px",
                        mark.ring, at.distance_px
                    ),
                    "check the place, its unit and the scale (a distance is from the pith; write dia for a diameter)",
                ))
            }
            _ => Ok(at),
        }
    };
    let (placed, faults) = outward::in_order(hand, place, |at| place_among_rings(at, reading));
    (placed.into_iter().map(|(_, at)| at).collect(), faults)
}

/// How far out a mark lies, in rings: what marks in different directions have in common, since a ring
/// is wider on one side of the pith than on the other. Where its direction was not read, as if that
/// weren't known.
pub(super) fn place_among_rings(mark: &PlacedMark, reading: &Reading) -> f64 {
    let at = |azimuth_deg| Ladder::of(reading, azimuth_deg).place_at(mark.distance_px);
    at(mark.azimuth_deg)
        .or_else(|| at(None))
        .unwrap_or(mark.distance_px)
}

fn place(
    mark: &Mark,
    hand: &HandCount,
    reading: &Reading,
    given: &Given,
) -> Result<PlacedMark, Error> {
    let mm_per_px = given
        .mm_per_px
        .or(reading.scale.as_ref().map(|scale| scale.mm_per_px));
    let scale = || {
        mm_per_px.ok_or_else(|| {
            mark.origin.fault(
                "a mark in a unit of length, but the photo's scale is not known",
                "give --diameter or --mm-per-px, or the marks as points in the photo",
            )
        })
    };
    let (azimuth_deg, distance_px, sd_px) = match mark.place {
        Place::Point { x_px, y_px } => {
            let (x, y) = (x_px - reading.pith.x_px, y_px - reading.pith.y_px);
            let azimuth = y.atan2(x).to_degrees().rem_euclid(360.0);
            (Some(azimuth), x.hypot(y), SD_OF_ROUNDING)
        }
        Place::Distance(length) => {
            let scale = scale()?;
            let sd = SD_OF_ROUNDING * length.last_place_mm / scale;
            (given.azimuth_deg, length.mm / scale, sd)
        }
        Place::Diameter(length) => {
            let scale = 2.0 * scale()?;
            let sd = SD_OF_ROUNDING * length.last_place_mm / scale;
            (None, length.mm / scale, sd)
        }
    };
    let ladder = Ladder::of(reading, azimuth_deg);
    let reading_distance_px = ladder.distance_px(f64::from(mark.ring));
    let diameter = |distance_px: f64| mm_per_px.map(|mm| 2.0 * distance_px * mm);
    Ok(PlacedMark {
        ring: mark.ring,
        year: hand
            .total
            .zip(given.last_ring)
            .and_then(|(total, last)| year_of(mark.ring, total, last)),
        azimuth_deg,
        distance_px,
        sd_px,
        reading_ring: ladder.number_at(distance_px),
        reading_distance_px,
        diameter_mm: match mark.place {
            Place::Diameter(length) => Some(length.mm),
            _ => diameter(distance_px),
        },
        reading_diameter_mm: reading_distance_px.and_then(diameter),
    })
}

/// Calendar year of a ring counted from the pith, of a disc with so many rings whose outermost is of a
/// known year.
pub fn year_of(ring: u32, total: u32, last_ring: i32) -> Option<i32> {
    last_ring.checked_sub(i32::try_from(total.checked_sub(ring)?).ok()?)
}

/// Marks at their places against the reading, stretch by stretch.
pub(super) fn against(marks: &[PlacedMark], total: Option<u32>, reading: &Reading) -> Comparison {
    let mut stretches = Vec::new();
    let mut betweens: Vec<(usize, Between)> = Vec::new();
    let mut inner: Option<&PlacedMark> = None;
    let mut add = |inner: Option<&PlacedMark>, outer: Option<&PlacedMark>, to_ring: u32| {
        let azimuth_deg = outer.or(inner).and_then(|mark| mark.azimuth_deg);
        let ladder = Ladder::of(reading, azimuth_deg);
        let from = inner.map_or(Some(0.0), |mark| mark.reading_ring);
        let to = outer.map_or(last_ring_number(reading, &ladder), |mark| mark.reading_ring);
        let from_ring = inner.map_or(0, |mark| mark.ring);
        let from_px = inner.map_or(0.0, |mark| mark.distance_px);
        let stretch = Stretch {
            from_ring,
            to_ring,
            ends_at_edge: outer.is_none(),
            from_px,
            to_px: outer.map_or(ladder.edge_px.unwrap_or(from_px), |mark| mark.distance_px),
            azimuth_deg,
            hand_rings: to_ring - from_ring,
            reading_rings: None,
            reading_numbers: None,
            band: None,
            sure_rings: 0,
            difference: None,
            hand_right: None,
            finding: Finding::NotRead,
        };
        if let Some((from, to)) = from.zip(to) {
            let sd = |mark: Option<&PlacedMark>| {
                mark.map_or(0.0, |m| doubt::in_rings(&ladder, m.distance_px, m.sd_px))
            };
            let between = Between {
                from,
                to,
                begins_at_pith: inner.is_none(),
                ends_at_edge: outer.is_none(),
                follows: inner.is_some()
                    && stretches.len() == betweens.last().map_or(0, |(at, _)| at + 1),
                mark_sd_rings: (sd(inner), sd(outer)),
                hand_rings: stretch.hand_rings,
            };
            betweens.push((stretches.len(), between));
        }
        stretches.push(stretch);
    };
    for mark in marks {
        add(inner, Some(mark), mark.ring);
        inner = Some(mark);
    }
    // The bark closes the last stretch, unless the last mark stands at it.
    if let (Some(last), Some(total)) = (inner, total)
        && total > last.ring
    {
        add(inner, None, total);
    }
    let only: Vec<Between> = betweens
        .iter()
        .map(|(_, between)| between.clone())
        .collect();
    for ((at, _), judged) in betweens.iter().zip(doubt::judge(reading, &only)) {
        read_into(&mut stretches[*at], &judged, reading);
        settle(&mut stretches[*at], &judged);
    }
    let mut suspects: Vec<usize> = (0..stretches.len())
        .filter(|&i| {
            matches!(
                stretches[i].finding,
                Finding::Differs | Finding::WithinDoubt
            )
        })
        .collect();
    let chance = |i: &usize| stretches[*i].hand_right.unwrap_or(1.0);
    suspects.sort_by(|a, b| chance(a).total_cmp(&chance(b)).then(a.cmp(b)));
    Comparison {
        total: None,
        marks: Vec::new(),
        stretches,
        suspects,
    }
}

/// The last ring's number, where the line reaches the wood's edge in the photo.
fn last_ring_number(reading: &Reading, ladder: &Ladder) -> Option<f64> {
    ladder.edge_px?;
    let last = reading.rings.last()?;
    Some(f64::from(last.number))
}

/// What the reading has in a stretch.
fn read_into(stretch: &mut Stretch, judged: &Judged, reading: &Reading) {
    let (from, to) = judged.ends;
    let rings = u32::try_from((to - from).max(0)).unwrap_or(0);
    stretch.reading_rings = Some(rings);
    stretch.difference = Some(i64::from(stretch.hand_rings) - i64::from(rings));
    stretch.reading_numbers = u32::try_from(from + 1)
        .ok()
        .zip(u32::try_from(to).ok())
        .filter(|(first, last)| first <= last);
    let sure = reading.rings.iter().filter(|ring| {
        (from + 1..=to).contains(&i64::from(ring.number)) && ring.confidence >= SURE_FROM
    });
    stretch.sure_rings = u32::try_from(sure.count()).unwrap_or(u32::MAX);
}

fn settle(stretch: &mut Stretch, judged: &Judged) {
    stretch.hand_right = Some((judged.hand_right * 1000.0).round() / 1000.0);
    let reading = stretch.reading_rings.unwrap_or(0);
    let (low, high) = judged.band;
    stretch.band = Some((low.min(reading), high.max(reading)));
    stretch.finding = if stretch.difference == Some(0) {
        Finding::Agrees
    } else if judged.hand_right < DIFFERS_BELOW {
        Finding::Differs
    } else {
        Finding::WithinDoubt
    };
}
