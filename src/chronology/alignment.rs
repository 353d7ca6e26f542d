//! Lines the rings of one radius up with the years of the others, ring by ring.
//!
//! A radius that lacks a ring has the right widths in the wrong years from there on. The alignment
//! walks along both rows and may, besides pairing a ring with a year, pass over a year that has no
//! ring (it is absent there), pair one ring with two years (the boundary between them was missed), or
//! pair two rings with one year (a false boundary). Each of these costs [`EVENT`]; a pair costs
//! by how far the widths are apart. The cheapest walk is found by dynamic programming (Needleman and
//! Wunsch 1970, J. Mol. Biol. 48: 443-453, from memory).
//!
//! Rings are dated from the bark or numbered from the pith, so the walk begins in step at one end
//! and is free at the other; both ends are tried.

/// How far a radius may come out of step, rings.
pub const MOST_SHIFT: usize = 3;

/// What a ring too few or too many costs, in units of the log likelihood. A pair one step out costs
/// about two more than one in step where radii agree by r = 0.8, so five or six rings beyond a fault
/// are what it takes to tell it. 10: of 1000 places of a disc a wrong one is then taken about once in
/// twenty discs at most (1000 exp(-10) = 0.045).
pub const EVENT: f64 = 10.0;

/// The most that one pair can cost: a single odd ring doesn't outweigh an event (3 sd).
const MOST_PAIR: f64 = 4.5;

/// What a pair costs of which one side isn't known: as much as a right one on the mean.
const UNKNOWN_PAIR: f64 = 0.5;

/// Places whose cost is within this of the best can't be told apart from it (a likelihood of 1 in 7).
const AS_GOOD: f64 = 2.0;

/// A ring too few or too many.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// A year has no ring.
    Absent,
    /// Two years have one ring between them.
    Merged,
    /// A year has two rings.
    Split,
}

impl Kind {
    fn lacks(self) -> bool {
        self != Kind::Split
    }

    /// Rings of the radius and years of the others that it takes.
    fn takes(self) -> (usize, usize) {
        match self {
            Kind::Absent => (0, 1),
            Kind::Merged => (1, 2),
            Kind::Split => (2, 1),
        }
    }
}

/// One event: years are indices into the years given to [`align`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Event {
    /// What it is.
    pub kind: Kind,
    /// The year; of two merged the earlier one.
    pub year: usize,
    /// The earliest year that the widths allow as well.
    pub earliest: usize,
    /// The latest.
    pub latest: usize,
}

/// The cheapest walk.
#[derive(Debug, Clone, PartialEq)]
pub struct Alignment {
    /// What it passed, from the first year on.
    pub events: Vec<Event>,
    /// By how much it is cheaper than staying in step.
    pub gain: f64,
    /// The rings by year after it, where a ring and a year were paired or two rings with one.
    pub widths: Vec<Option<f64>>,
}

/// Aligns rings with years: `rings[i]` and `years[i]` are of the same year as dated, both relative
/// widths (about one); `sd` is that of the logarithm of a ring by its year where all is well.
pub fn align(rings: &[Option<f64>], years: &[Option<f64>], sd: f64) -> Alignment {
    let from_pith = walk(rings, years, sd);
    let mut turned = [rings.to_vec(), years.to_vec()];
    turned.iter_mut().for_each(|row| row.reverse());
    let mut from_bark = walk(&turned[0], &turned[1], sd);
    // Equal but for rounding: rings are mostly dated from the bark.
    if from_pith.gain > from_bark.gain + 1e-9 {
        return from_pith;
    }
    let last = rings.len().saturating_sub(1);
    from_bark.widths.reverse();
    from_bark.events.reverse();
    for event in &mut from_bark.events {
        // Of two merged years the walk names the one that it comes to first, here the later.
        let other = usize::from(event.kind == Kind::Merged);
        let turn = |year: usize| last.saturating_sub(year + other);
        (event.year, event.earliest, event.latest) =
            (turn(event.year), turn(event.latest), turn(event.earliest));
    }
    from_bark
}

/// Offsets: `MOST_SHIFT` is in step.
const OFFSETS: usize = 2 * MOST_SHIFT + 1;

struct Costs<'a> {
    rings: &'a [Option<f64>],
    years: &'a [Option<f64>],
    sd: f64,
}

impl Costs<'_> {
    fn year(&self, i: usize, offset: usize) -> Option<f64> {
        let at = (i + offset).checked_sub(MOST_SHIFT)?;
        self.years.get(at).copied().flatten()
    }

    fn pair(&self, ring: Option<f64>, year: Option<f64>) -> f64 {
        match (ring, year) {
            (Some(ring), Some(year)) if ring > 0.0 && year > 0.0 => {
                let z = (ring / year).ln() / self.sd;
                (0.5 * z * z).min(MOST_PAIR)
            }
            _ => UNKNOWN_PAIR,
        }
    }

    fn step(&self, i: usize, offset: usize) -> f64 {
        self.pair(self.rings[i], self.year(i, offset))
    }

    /// Cost of an event and where it leads; none where it leads off the rings or the offsets.
    fn event(&self, kind: Kind, i: usize, offset: usize) -> Option<(f64, usize, usize)> {
        let both = |a: Option<f64>, b: Option<f64>| a.zip(b).map(|(a, b)| a + b);
        let (rings, years) = kind.takes();
        let to = (i + rings, (offset + years).checked_sub(rings)?);
        if to.0 > self.rings.len() || to.1 >= OFFSETS {
            return None;
        }
        let pair = match kind {
            Kind::Absent => 0.0,
            Kind::Merged => {
                let years = both(self.year(i, offset), self.year(i, offset + 1));
                self.pair(self.rings[i], years)
            }
            Kind::Split => {
                let rings = both(self.rings[i], self.rings[i + 1]);
                self.pair(rings, self.year(i, offset))
            }
        };
        Some((EVENT + pair, to.0, to.1))
    }
}

const KINDS: [Kind; 3] = [Kind::Absent, Kind::Merged, Kind::Split];

/// The cheapest walk that is in step at index 0.
fn walk(rings: &[Option<f64>], years: &[Option<f64>], sd: f64) -> Alignment {
    let costs = Costs { rings, years, sd };
    let n = rings.len();
    // Cheapest way from each place to the end, which is free.
    let mut onward = vec![[0.0_f64; OFFSETS]; n + 1];
    for i in (0..=n).rev() {
        for offset in (0..OFFSETS).rev() {
            let mut best = if i < n {
                costs.step(i, offset) + onward[i + 1][offset]
            } else {
                0.0
            };
            for kind in KINDS {
                if let Some((cost, to, at)) = costs.event(kind, i, offset)
                    && i < n
                {
                    best = best.min(cost + onward[to][at]);
                }
            }
            onward[i][offset] = best;
        }
    }
    // Cheapest way to each place from the start in step.
    let mut hither = vec![[f64::INFINITY; OFFSETS]; n + 1];
    hither[0][MOST_SHIFT] = 0.0;
    for i in 0..n {
        for offset in 0..OFFSETS {
            let here = hither[i][offset];
            let next = &mut hither[i + 1][offset];
            *next = next.min(here + costs.step(i, offset));
            for kind in KINDS {
                if let Some((cost, to, at)) = costs.event(kind, i, offset) {
                    hither[to][at] = hither[to][at].min(here + cost);
                }
            }
        }
    }
    let in_step: f64 = (0..n).map(|i| costs.step(i, MOST_SHIFT)).sum();
    let best = onward[0][MOST_SHIFT];
    let mut widths = vec![None; n];
    let mut events = Vec::new();
    let (mut i, mut offset) = (0, MOST_SHIFT);
    while i < n {
        let year = (i + offset).checked_sub(MOST_SHIFT);
        let here = onward[i][offset];
        // The walk in step is taken where it is as cheap as any: events must bring something.
        let stay = costs.step(i, offset) + onward[i + 1][offset];
        let event = KINDS
            .iter()
            .filter_map(|kind| Some((*kind, costs.event(*kind, i, offset)?)))
            .find(|(_, (cost, to, at))| here < stay && cost + onward[*to][*at] <= here);
        match event {
            None => {
                if let Some(place) = year.and_then(|y| widths.get_mut(y)) {
                    *place = rings[i];
                }
                i += 1;
            }
            Some((kind, (_, to, at))) => {
                let (earliest, latest) = range(&costs, &onward, &hither, kind, i, offset, best);
                let name = |i: usize| (i + offset).saturating_sub(MOST_SHIFT);
                events.push(Event {
                    kind,
                    year: name(i),
                    earliest: name(earliest),
                    latest: name(latest),
                });
                if kind == Kind::Split
                    && let Some(place) = year.and_then(|y| widths.get_mut(y))
                {
                    *place = rings[i].zip(rings[i + 1]).map(|(a, b)| a + b);
                }
                (i, offset) = (to, at);
            }
        }
    }
    // The two sums are added up in different orders: without an event they are the same.
    let gain = if events.is_empty() {
        0.0
    } else {
        (in_step - best).max(0.0)
    };
    Alignment {
        events,
        gain,
        widths,
    }
}

/// The rings about `i` at which an event of the same sort is as good.
fn range(
    costs: &Costs<'_>,
    onward: &[[f64; OFFSETS]],
    hither: &[[f64; OFFSETS]],
    kind: Kind,
    i: usize,
    offset: usize,
    best: f64,
) -> (usize, usize) {
    let as_good = |i: usize| {
        KINDS
            .iter()
            .filter(|other| other.lacks() == kind.lacks())
            .filter_map(|other| costs.event(*other, i, offset))
            .any(|(cost, to, at)| hither[i][offset] + cost + onward[to][at] <= best + AS_GOOD)
    };
    let earliest = (0..i).rev().take_while(|i| as_good(*i)).last();
    let latest = (i + 1..costs.rings.len())
        .take_while(|i| as_good(*i))
        .last();
    (earliest.unwrap_or(i), latest.unwrap_or(i))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative widths that no shift of a few years repeats.
    fn years(n: usize) -> Vec<Option<f64>> {
        (0..n)
            .map(|t| {
                let t = t as f64;
                Some((0.3 * (1.9 * t).sin() + 0.3 * (0.7 * t * t).cos()).exp())
            })
            .collect()
    }

    #[test]
    fn rings_in_step_stay_so() {
        let years = years(40);
        let found = align(&years, &years, 0.15);
        assert_eq!(found.events, []);
        assert_eq!(found.gain, 0.0);
        assert_eq!(found.widths, years);
        assert_eq!(align(&[], &[], 0.1).events, []);
    }

    #[test]
    fn each_kind_of_fault_is_found_in_its_year_from_either_end() {
        let years = years(40);
        for is_from_bark in [true, false] {
            // Keeps as many rings as years: those at the free end go or come.
            let fit = |mut rings: Vec<Option<f64>>| {
                if is_from_bark {
                    while rings.len() > 40 {
                        rings.remove(0);
                    }
                    while rings.len() < 40 {
                        rings.insert(0, None);
                    }
                } else {
                    rings.resize(40, None);
                }
                rings
            };
            let mut absent = years.clone();
            absent.remove(20);
            let mut merged = years.clone();
            merged[20] = Some(years[20].unwrap() + years[21].unwrap());
            merged.remove(21);
            let mut split = years.clone();
            split[20] = Some(years[20].unwrap() * 0.4);
            split.insert(21, Some(years[20].unwrap() * 0.6));
            for (rings, kind) in [
                (absent, Kind::Absent),
                (merged, Kind::Merged),
                (split, Kind::Split),
            ] {
                let found = align(&fit(rings), &years, 0.15);
                assert_eq!(found.events.len(), 1, "{kind:?} {:?}", found.events);
                let event = found.events[0];
                assert_eq!((event.kind, event.year), (kind, 20), "{is_from_bark}");
                assert!((event.earliest..=event.latest).contains(&20));
                assert!(event.latest - event.earliest <= 2, "{event:?}");
                assert!(found.gain > 20.0);
                // Beyond the fault the rings are in their years again.
                for year in [5, 15, 25, 35] {
                    let got = found.widths[year];
                    assert!(got.is_none() || got == years[year], "{kind:?} {year}");
                }
            }
        }
    }

    #[test]
    fn a_lone_odd_ring_is_no_fault() {
        let years = years(40);
        let mut rings = years.clone();
        rings[12] = Some(5.0);
        rings[30] = Some(0.1);
        assert_eq!(align(&rings, &years, 0.15).events, []);
    }
}
