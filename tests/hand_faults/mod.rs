//! Simulated hand counts of discs whose rings are known: a straight line from the pith, a mark at
//! every tenth ring counted, and one fault of a known place, or none.

use endgrain::demo::Truth;
use endgrain::hand_count::comparing::{Finding, Given, compare};
use endgrain::hand_count::marks::Origin;
use endgrain::hand_count::{HandCount, Mark, Place};
use endgrain::reading::{Reading, radius_at};
use std::collections::BTreeMap;

/// What the hand did wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Fault {
    None,
    SkippedRing,
    CountedTwice,
    FalseRing,
    TenLost,
    WrongStart,
}

impl Fault {
    pub(crate) const ALL: [Fault; 6] = [
        Fault::None,
        Fault::SkippedRing,
        Fault::CountedTwice,
        Fault::FalseRing,
        Fault::TenLost,
        Fault::WrongStart,
    ];
}

/// Chance by a fixed seed (`SplitMix64`, Steele et al. 2014).
pub(crate) struct Chance(pub(crate) u64);

impl Chance {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// 0 up to, not including, 1.
    fn share(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn whole(&mut self, from: usize, below: usize) -> usize {
        from + (self.share() * (below - from) as f64) as usize
    }

    /// About normal, sd 1: the sum of twelve even ones less six.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.share()).sum::<f64>() - 6.0
    }
}

/// A simulated hand count, and between which of its marks the fault is.
pub(crate) struct Simulated {
    pub(crate) hand: HandCount,
    /// Inner and outer mark, as the hand numbers them; the outer one is the total at the bark.
    pub(crate) fault_in: Option<(u32, u32)>,
}

/// Marks lie this far off their boundary, sd in rings: a pen's tick beside the dark line.
const OFF_RINGS: f64 = 0.1;

/// Simulates a count; none where the disc has no room for the fault, or no line that a person could
/// count on (through the frame's edge or a gaping crack).
pub(crate) fn simulate(truth: &Truth, fault: Fault, chance: &mut Chance) -> Option<Simulated> {
    let rings = truth.rings?;
    let [px, py] = truth.pith?;
    let last = truth.boundaries.last()?;
    let azimuth = (0..100).map(|_| 360.0 * chance.share()).find(|azimuth| {
        radius_at(last, *azimuth).is_some()
            && !truth.hidden_sectors.iter().any(|[from, to]| {
                (*azimuth - from).rem_euclid(360.0) <= (to - from).rem_euclid(360.0)
            })
    })?;
    // What the hand takes for a ring, in its order: true rings, or a place between two.
    let mut counted: Vec<f64> = (1..=rings).map(|ring| ring as f64).collect();
    // Rings in a hollow can't be counted, so there no fault is made there.
    let first = truth.visible_from_ring.max(1);
    if first > 1 && fault == Fault::WrongStart {
        return None;
    }
    let room = |needed: usize| rings > first + needed + 2;
    match fault {
        Fault::None => {}
        Fault::SkippedRing | Fault::CountedTwice | Fault::FalseRing => {
            if !room(1) {
                return None;
            }
            let at = chance.whole(first, rings - 1);
            match fault {
                Fault::SkippedRing => {
                    counted.remove(at);
                }
                Fault::CountedTwice => counted.insert(at, counted[at]),
                _ => {
                    let known: Vec<_> = truth
                        .false_rings
                        .iter()
                        .filter(|f| f.ring > first)
                        .collect();
                    if known.is_empty() {
                        counted.insert(at, counted[at] - 0.5);
                    } else {
                        let one = known[chance.whole(0, known.len())];
                        counted.insert(one.ring - 1, one.ring as f64 - 1.0 + one.frac);
                    }
                }
            }
        }
        Fault::TenLost => {
            if !room(12) {
                return None;
            }
            let at = chance.whole(first, rings - 11);
            counted.drain(at..at + 10);
        }
        Fault::WrongStart => {
            let by = chance.whole(1, 4);
            if chance.share() < 0.5 {
                if !room(by) {
                    return None;
                }
                counted.drain(..by);
            } else {
                counted.splice(0..0, vec![0.5; by]);
            }
        }
    }
    let mut marks = Vec::new();
    let mut fault_in = None;
    let mut before = (0_u32, 0.0_f64);
    let total = counted.len() as u32;
    for number in (10..=total).step_by(10) {
        let place = counted[number as usize - 1];
        if place < first as f64 {
            continue;
        }
        let ring = place.ceil() as usize;
        let outer = radius_at(&truth.boundaries[ring - 1], azimuth)?;
        let inner = match ring {
            1 => 0.0,
            _ => radius_at(&truth.boundaries[ring - 2], azimuth)?,
        };
        let share = 1.0 - (place.ceil() - place);
        let radius = inner
            + share * (outer - inner)
            + OFF_RINGS * chance.normal() * (outer - inner).max(1.0);
        // Near a ring that is missing there, or tighter than a pen, a hand can't mark: it goes on.
        if radius <= 0.0 {
            continue;
        }
        note(&mut fault_in, before, (number, place));
        before = (number, place);
        let (sin, cos) = azimuth.to_radians().sin_cos();
        marks.push(Mark {
            ring: number,
            place: Place::Point {
                x_px: px + radius * cos,
                y_px: py + radius * sin,
            },
            origin: Origin {
                path: "simulated".into(),
                line: None,
            },
        });
    }
    note(&mut fault_in, before, (total, rings as f64));
    // A total below ten comes without a mark: there is no stretch to be named.
    if marks.is_empty() {
        return None;
    }
    if fault != Fault::None && fault_in.is_none() {
        return None;
    }
    Some(Simulated {
        hand: HandCount {
            total: Some(total),
            marks,
            ..HandCount::default()
        },
        fault_in,
    })
}

/// Notes where the hand's rings aren't the true ones: between two marks there are the boundaries beyond
/// the inner one up to the outer one. A mark on a false ring lies between two boundaries: the false ring
/// was counted within the stretch that ends there, of which it is the last.
fn note(fault_in: &mut Option<(u32, u32)>, from: (u32, f64), to: (u32, f64)) {
    let (hand, truth) = (f64::from(to.0 - from.0), to.1.floor() - from.1.floor());
    if fault_in.is_none() && (hand - truth).abs() > 0.5 {
        *fault_in = Some((from.0, to.0));
    }
}

/// What was found of simulated counts.
#[derive(Debug, Default, Clone, Copy)]
pub(crate) struct Outcome {
    /// Counts with a fault.
    pub(crate) faults: usize,
    /// Of them, those whose stretch is named first among those that part.
    pub(crate) named: usize,
    /// Those whose stretch is the first or the second of them.
    pub(crate) named_in_two: usize,
    /// Of those named first, those that are said to differ rather than to be within doubt.
    pub(crate) named_surely: usize,
    /// Right counts.
    pub(crate) right: usize,
    /// Of them, those without a stretch that is said to differ.
    pub(crate) cleared: usize,
    /// Of them, those of which all stretches agree.
    pub(crate) agreed: usize,
}

impl Outcome {
    pub(crate) fn add(&mut self, other: &Outcome) {
        self.faults += other.faults;
        self.named += other.named;
        self.named_in_two += other.named_in_two;
        self.named_surely += other.named_surely;
        self.right += other.right;
        self.cleared += other.cleared;
        self.agreed += other.agreed;
    }

    pub(crate) fn named_share(&self) -> f64 {
        self.named as f64 / self.faults.max(1) as f64
    }

    pub(crate) fn cleared_share(&self) -> f64 {
        self.cleared as f64 / self.right.max(1) as f64
    }
}

/// Holds one simulated count against the reading.
pub(crate) fn judge(simulated: &Simulated, reading: &Reading) -> Outcome {
    let (comparison, _) = compare(&simulated.hand, reading, &Given::default());
    let mut outcome = Outcome::default();
    match simulated.fault_in {
        None => {
            outcome.right = 1;
            let differs = |s: &&endgrain::hand_count::Stretch| s.finding == Finding::Differs;
            outcome.cleared = usize::from(comparison.stretches.iter().filter(differs).count() == 0);
            outcome.agreed = usize::from(comparison.suspects.is_empty());
        }
        Some((from, to)) => {
            outcome.faults = 1;
            // A mark that was refused joins two stretches: the fault is in the longer one.
            let is_it = |i: &usize| {
                let stretch = &comparison.stretches[*i];
                stretch.from_ring <= from && to <= stretch.to_ring
            };
            let first = comparison.suspects.first().copied().filter(is_it);
            outcome.named = usize::from(first.is_some());
            outcome.named_in_two = usize::from(comparison.suspects.iter().take(2).any(is_it));
            let surely = first.is_some_and(|i| comparison.stretches[i].finding == Finding::Differs);
            outcome.named_surely = usize::from(surely);
        }
    }
    outcome
}

/// Simulates every kind of fault some times on each disc; gives what was found by suite and fault.
pub(crate) fn by_suite_and_fault(
    discs: &[(Truth, Reading)],
    times: usize,
    seed: u64,
) -> BTreeMap<String, BTreeMap<Fault, Outcome>> {
    let mut table: BTreeMap<String, BTreeMap<Fault, Outcome>> = BTreeMap::new();
    let mut chance = Chance(seed);
    for (truth, reading) in discs {
        for fault in Fault::ALL {
            for _ in 0..times {
                if let Some(simulated) = simulate(truth, fault, &mut chance) {
                    let row = table.entry(truth.suite.clone()).or_default();
                    row.entry(fault)
                        .or_default()
                        .add(&judge(&simulated, reading));
                }
            }
        }
    }
    table
}

/// Everything of the suites that fit, added up.
pub(crate) fn sum(
    table: &BTreeMap<String, BTreeMap<Fault, Outcome>>,
    fits: impl Fn(&str) -> bool,
) -> Outcome {
    let mut all = Outcome::default();
    for (_, row) in table.iter().filter(|(suite, _)| fits(suite)) {
        row.values().for_each(|outcome| all.add(outcome));
    }
    all
}

/// The table as DEVELOPERS.md has it.
pub(crate) fn print(table: &BTreeMap<String, BTreeMap<Fault, Outcome>>) {
    println!(
        "| suite | skipped | twice | false | ten lost | start | named | first or second | surely | right count cleared | agrees |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|---|");
    let line = |name: &str, row: &dyn Fn(Fault) -> Outcome| {
        let mut all = Outcome::default();
        Fault::ALL.iter().for_each(|fault| all.add(&row(*fault)));
        let cells: Vec<String> = Fault::ALL[1..]
            .iter()
            .map(|fault| row(*fault))
            .map(|o| match o.faults {
                0 => "-".into(),
                _ => format!("{:.2}", o.named_share()),
            })
            .collect();
        println!(
            "| {name} | {} | {:.2} of {} | {:.2} | {:.2} | {:.2} of {} | {:.2} |",
            cells.join(" | "),
            all.named_share(),
            all.faults,
            all.named_in_two as f64 / all.faults.max(1) as f64,
            all.named_surely as f64 / all.faults.max(1) as f64,
            all.cleared_share(),
            all.right,
            all.agreed as f64 / all.right.max(1) as f64
        );
    };
    for (suite, row) in table {
        line(suite, &|fault| row.get(&fault).copied().unwrap_or_default());
    }
    for (name, only_clean) in [("clean suites", true), ("all", false)] {
        line(name, &|fault| {
            let mut all = Outcome::default();
            let fits = |suite: &str| !only_clean || suite.starts_with("clean");
            for (_, row) in table.iter().filter(|(suite, _)| fits(suite)) {
                all.add(&row.get(&fault).copied().unwrap_or_default());
            }
            all
        });
    }
}
