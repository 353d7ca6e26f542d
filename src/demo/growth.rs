//! Grows a disc year by year: how wide each ring is in each direction.
//!
//! A ring's mean width is an age trend (a negative exponential over a floor, the common shape of
//! ring-width series; Fritts 1976, "Tree Rings and Climate", from memory) times lognormal
//! year-to-year variation with a memory of the year before (AR(1)), times growth events: spans of
//! years of suppression or release with a sudden start. In each direction the width is modulated by
//! harmonics of the azimuth whose strengths wander slowly from ring to ring, so that the pith comes
//! to lie off centre and lobes grow as a tree's do; finer waves run through many rings alike. A ring
//! may be absent in a sector, tapering to nothing at both ends (a wedging ring). Boundaries are
//! kept as a table over azimuth and are exact truth: the painter reads the same table.

use super::chance::Chance;
use super::noise::{cell, index, lerp, part, ramp, turn};
use std::f64::consts::TAU;

/// Azimuths of the table of boundaries, half a degree apart.
pub(crate) const AZIMUTHS: usize = 720;

/// What is asked of a disc's growth.
#[derive(Debug, Clone)]
pub(crate) struct Wish {
    /// Rings to grow.
    pub(crate) rings: usize,
    /// Mean radius, mm.
    pub(crate) radius_mm: f64,
    /// Least width of a ring in any direction where it is not absent, mm.
    pub(crate) least_mm: f64,
    /// Strength of the first harmonic: 0 central, 0.6 strongly off centre.
    pub(crate) eccentricity: f64,
    /// Strength of lobes (harmonics 2 to 7).
    pub(crate) lobes: f64,
    /// Fall of the age trend: first width over last.
    pub(crate) trend: f64,
    /// Spread of the year-to-year variation (of the logarithm).
    pub(crate) variation: f64,
    /// Growth events to draw.
    pub(crate) events: usize,
    /// Rings to make absent in a sector.
    pub(crate) absent: usize,
    /// Density bands that are no year's end.
    pub(crate) false_rings: usize,
}

/// How one ring's wood looks, as shares.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RingTone {
    /// Share of the ring that is latewood.
    pub(crate) late_share: f64,
    /// How dark the latewood is, 0 to 1.
    pub(crate) late_dark: f64,
    /// Darkness of the earlywood, about 0.
    pub(crate) early_dark: f64,
    /// Brightness of the whole ring against its neighbours, about 0.
    pub(crate) shade: f64,
}

/// A density band inside a ring: dark, fading on both sides.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct FalseRing {
    /// The ring that holds it, from 1.
    pub(crate) ring: usize,
    /// Where in the ring, 0 inner boundary, 1 outer.
    pub(crate) phase: f64,
    /// Spread in the ring, as a share of its width.
    pub(crate) spread: f64,
    /// Darkness at its middle, 0 to 1.
    pub(crate) strength: f64,
    /// Middle of its sector, rad in the disc's plane.
    pub(crate) middle: f64,
    /// Half its sector, rad; pi or more is all round.
    pub(crate) half: f64,
}

/// A span of years that grew faster or slower.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Event {
    /// First ring.
    pub(crate) from: usize,
    /// Last ring.
    pub(crate) to: usize,
    /// Factor on the widths.
    pub(crate) factor: f64,
}

/// A ring missing in a sector.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Absence {
    /// The ring, from 1.
    pub(crate) ring: usize,
    /// Middle of the sector, rad in the disc's plane.
    pub(crate) middle: f64,
    /// Half of the sector in which it has no width, rad.
    pub(crate) half: f64,
    /// Width of the taper at each end, rad.
    pub(crate) taper: f64,
}

/// Where a point of the wood lies.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Place {
    /// Ring, from 0.
    pub(crate) ring: usize,
    /// Distance from the ring's inner boundary, mm.
    pub(crate) depth_mm: f64,
    /// Width of the ring in this direction, mm, above 0.
    pub(crate) width_mm: f64,
}

/// A grown disc. Boundaries never cross; they coincide only where a ring is absent.
#[derive(Debug, Clone)]
pub(crate) struct Disc {
    /// Number of rings.
    pub(crate) rings: usize,
    /// Boundaries, mm from the middle of the pith, `[azimuth, ring]`; entry 0 is the pith's edge, 0
    /// where none was asked for, so a row has `rings + 1` numbers.
    table: Vec<f64>,
    /// Mean radius of each boundary, mm, `rings + 1` numbers.
    pub(crate) mean_mm: Vec<f64>,
    /// The largest radius of the wood, mm.
    pub(crate) farthest_mm: f64,
    /// Looks of each ring.
    pub(crate) tones: Vec<RingTone>,
    /// Bands that are no year's end.
    pub(crate) false_rings: Vec<FalseRing>,
    /// Rings missing in a sector.
    pub(crate) absences: Vec<Absence>,
    /// Suppressions and releases.
    pub(crate) events: Vec<Event>,
}

/// Signed difference of two angles, rad, -pi to pi.
#[inline]
pub(crate) fn angle_between(a: f64, b: f64) -> f64 {
    let share = part((a - b) / TAU);
    TAU * if share > 0.5 { share - 1.0 } else { share }
}

impl Disc {
    /// The same rings grown round a pith of a radius (mm): all a little narrower, the wood's edge
    /// where it was.
    pub(crate) fn grown_round(&mut self, pith_mm: f64) {
        let boundaries = self.rings + 1;
        let make_room = |row: &mut [f64]| {
            let edge = row[boundaries - 1];
            for boundary in row {
                *boundary = lerp(pith_mm, edge, *boundary / edge);
            }
        };
        self.table.chunks_exact_mut(boundaries).for_each(make_room);
        make_room(&mut self.mean_mm);
    }

    /// The boundary `ring` (0 the pith's edge, `rings` the wood's edge) at an azimuth (rad), mm.
    pub(crate) fn boundary_mm(&self, ring: usize, azimuth: f64) -> f64 {
        let (a, b, t) = self.rows(azimuth);
        lerp(a[ring], b[ring], t)
    }

    /// The wood's edge at an azimuth (rad), mm.
    pub(crate) fn edge_mm(&self, azimuth: f64) -> f64 {
        self.boundary_mm(self.rings, azimuth)
    }

    fn rows(&self, azimuth: f64) -> (&[f64], &[f64], f64) {
        let x = part(azimuth / TAU) * AZIMUTHS as f64;
        let i = index(x, AZIMUTHS);
        let (n, j) = (self.rings + 1, (i + 1) % AZIMUTHS);
        let (a, b) = (&self.table[i * n..][..n], &self.table[j * n..][..n]);
        (a, b, (x - i as f64).clamp(0.0, 1.0))
    }

    /// The ring at a radius (mm) and azimuth (rad); `None` outside the wood.
    pub(crate) fn place(&self, radius_mm: f64, azimuth: f64) -> Option<Place> {
        let (a, b, t) = self.rows(azimuth);
        let at = |k: usize| lerp(a[k], b[k], t);
        if radius_mm >= at(self.rings) {
            return None;
        }
        // Invariant: at(low) <= radius < at(high).
        let (mut low, mut high) = (0, self.rings);
        while high - low > 1 {
            let middle = usize::midpoint(low, high);
            if at(middle) <= radius_mm {
                low = middle;
            } else {
                high = middle;
            }
        }
        let inner = at(low);
        Some(Place {
            ring: low,
            depth_mm: (radius_mm - inner).max(0.0),
            width_mm: (at(high) - inner).max(1e-9),
        })
    }
}

fn mean_widths(wish: &Wish, chance: &mut Chance) -> (Vec<f64>, Vec<Event>) {
    let n = wish.rings;
    let life = n as f64 * chance.between(0.25, 0.6);
    // Youth: the first rings of a planted tree are often narrower than those after.
    let youth = chance.between(0.0, 3.0);
    let memory = chance.between(0.3, 0.65);
    let mut state = chance.normal();
    let mut events = Vec::new();
    for _ in 0..wish.events {
        let span = chance.whole(4, (n / 4).max(5));
        let from = chance.whole(n / 6 + 2, n.max(n / 6 + 3));
        let factor = if chance.yes(0.55) {
            chance.between(0.35, 0.6)
        } else {
            chance.between(1.5, 2.1)
        };
        events.push(Event {
            from: from.min(n),
            to: (from + span).min(n),
            factor,
        });
    }
    let widths = (1..=n)
        .map(|ring| {
            let age = ring as f64;
            let trend = 1.0 + (wish.trend - 1.0) * (-age / life).exp();
            let young = 1.0 - 0.5 * (-(age - 1.0) / (youth + 0.1)).exp();
            state = memory * state + (1.0 - memory * memory).sqrt() * chance.normal();
            let event: f64 = events
                .iter()
                .filter(|e| (e.from..=e.to).contains(&ring))
                .map(|e| {
                    lerp(
                        e.factor,
                        1.0,
                        (age - e.from as f64) / (e.to - e.from + 3) as f64,
                    )
                })
                .product();
            trend * young * event * (wish.variation * state).exp()
        })
        .collect();
    (widths, events)
}

fn absences(wish: &Wish, chance: &mut Chance) -> Vec<Absence> {
    let mut list: Vec<Absence> = Vec::new();
    // Absent rings come together: a poor side of the tree loses several.
    let side = chance.between(0.0, TAU);
    while list.len() < wish.absent && wish.rings > 12 {
        let ring = chance.whole(wish.rings / 2, wish.rings - 2);
        if list.iter().any(|a| a.ring.abs_diff(ring) < 2) {
            if list.len() > wish.rings / 8 {
                break;
            }
            continue;
        }
        list.push(Absence {
            ring,
            middle: side + chance.between(-0.7, 0.7),
            half: chance.between(0.2, 0.75),
            taper: chance.between(0.1, 0.3),
        });
    }
    list.sort_by_key(|a| a.ring);
    list
}

/// A quantity that depends on the azimuth only, tabulated: bark, a hollow's edge, the heart's edge.
#[derive(Debug, Clone)]
pub(crate) struct Profile(Vec<f64>);

impl Profile {
    /// Steps of the table: a twentieth of a degree, half a pixel at the rim of a 3-megapixel disc.
    const STEPS: usize = 7200;

    pub(crate) fn of(value: impl Fn(f64) -> f64) -> Self {
        Profile(
            (0..Self::STEPS)
                .map(|i| value(i as f64 / Self::STEPS as f64 * TAU))
                .collect(),
        )
    }

    /// The value at an azimuth, rad.
    #[inline]
    pub(crate) fn at(&self, azimuth: f64) -> f64 {
        let x = part(azimuth / TAU) * Self::STEPS as f64;
        let i = index(x, Self::STEPS);
        let j = if i + 1 == Self::STEPS { 0 } else { i + 1 };
        lerp(self.0[i], self.0[j], x - i as f64)
    }
}

/// Grows the disc that was wished for.
pub(crate) fn grow(wish: &Wish, chance: &mut Chance) -> Disc {
    let n = wish.rings;
    let (widths, events) = mean_widths(wish, chance);
    let scale = wish.radius_mm / widths.iter().sum::<f64>();
    let absences = absences(wish, chance);
    let wave_seed = chance.noise_seed();
    let ripple = chance.between(0.01, 0.05);
    let waves = cell(chance.between(14.0, 40.0));

    // Strengths of harmonics 1 to 7 as cosine and sine: a fixed part and a wandering part.
    let mut fixed = [[0.0; 2]; 7];
    let mut wander = [[0.0; 2]; 7];
    let lean = chance.between(0.0, TAU);
    fixed[0] = [
        wish.eccentricity * lean.cos(),
        wish.eccentricity * lean.sin(),
    ];
    for (order, pair) in fixed.iter_mut().enumerate().skip(1) {
        let strength = wish.lobes / (order as f64).sqrt();
        *pair = [strength * chance.normal(), strength * chance.normal()];
    }
    let drift = 0.03 + 0.3 * wish.lobes;
    let turns: Vec<[f64; 2]> = (0..AZIMUTHS * 7)
        .map(|i| {
            let (order, azimuth) = (i % 7 + 1, i / 7);
            let angle = order as f64 * azimuth as f64 / AZIMUTHS as f64 * TAU;
            [angle.cos(), angle.sin()]
        })
        .collect();
    let mut table = vec![0.0; AZIMUTHS * (n + 1)];
    let mut mean_mm = vec![0.0; n + 1];
    for ring in 1..=n {
        let age = ring as f64;
        // Lobes and lean come with size: a seedling is round.
        let grown = ramp(0.0, 0.35, age / n as f64 + 0.05);
        let mut harmonics = [[0.0; 2]; 7];
        for order in 0..7 {
            for part in 0..2 {
                let kick = chance.normal();
                let sd = drift / (order as f64 + 1.0);
                wander[order][part] = 0.93 * wander[order][part] + 0.37 * sd * kick;
                harmonics[order][part] = grown * (fixed[order][part] + 0.6 * wander[order][part]);
            }
        }
        let missing: Vec<Absence> = absences
            .iter()
            .copied()
            .filter(|a| a.ring == ring)
            .collect();
        let mut sum = 0.0;
        for azimuth in 0..AZIMUTHS {
            let angle = azimuth as f64 / AZIMUTHS as f64 * TAU;
            let mut bend = 0.0;
            for order in 0..7 {
                let [c, s] = turns[azimuth * 7 + order];
                bend += harmonics[order][0] * c + harmonics[order][1] * s;
            }
            // The fine waves drift a lattice step in eight rings: neighbours run alike.
            bend += ripple * turn(wave_seed, angle, waves, age / 8.0)
                + 0.3 * ripple * turn(wave_seed ^ 0x77, angle, waves * 4, age / 3.0);
            let mut width =
                (widths[ring - 1] * scale * bend.clamp(-1.4, 1.0).exp()).max(wish.least_mm);
            for absence in &missing {
                let off = angle_between(angle, absence.middle).abs() - absence.half;
                width *= ramp(0.0, absence.taper, off);
            }
            let row = azimuth * (n + 1) + ring;
            table[row] = table[row - 1] + width;
            sum += table[row];
        }
        mean_mm[ring] = sum / AZIMUTHS as f64;
    }
    let false_rings = false_rings(wish, &absences, chance);
    let tones = tones(n, chance);
    let farthest_mm = table.iter().copied().fold(0.0, f64::max);
    Disc {
        rings: n,
        table,
        farthest_mm,
        mean_mm,
        tones,
        false_rings,
        absences,
        events,
    }
}

fn false_rings(wish: &Wish, absences: &[Absence], chance: &mut Chance) -> Vec<FalseRing> {
    let mut list: Vec<FalseRing> = Vec::new();
    for _ in 0..wish.false_rings {
        let ring = chance.whole(3.min(wish.rings), wish.rings);
        let taken = absences.iter().any(|a| a.ring == ring) || list.iter().any(|f| f.ring == ring);
        let band = FalseRing {
            ring,
            phase: chance.between(0.45, 0.7),
            spread: chance.between(0.06, 0.11),
            strength: chance.between(0.3, 0.7),
            middle: chance.between(0.0, TAU),
            half: chance.between(0.4, 2.2),
        };
        if !taken {
            list.push(band);
        }
    }
    list.sort_by_key(|f| f.ring);
    list
}

fn tones(n: usize, chance: &mut Chance) -> Vec<RingTone> {
    let share = chance.between(0.18, 0.4);
    let dark = chance.between(0.7, 0.95);
    let spread = chance.between(0.08, 0.2);
    (0..n)
        .map(|_| RingTone {
            late_share: (share * (0.28 * chance.normal()).exp()).clamp(0.08, 0.6),
            // A few rings are faint.
            late_dark: if chance.yes(0.06) {
                dark * chance.between(0.4, 0.7)
            } else {
                (dark * (1.0 + spread * chance.normal())).clamp(0.35, 1.0)
            },
            early_dark: (0.05 * chance.normal()).clamp(-0.1, 0.15),
            shade: 0.02 * chance.normal(),
        })
        .collect()
}
