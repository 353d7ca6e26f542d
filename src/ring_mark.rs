//! What marks the rings of this disc, pores or tone, and in which sense its tone ends them.
//!
//! In ring-porous wood (oak, ash, elm) a ring begins with a row of large pores, and what the sectors
//! agree on most is where the wood turns rough along the ring. In conifers and diffuse-porous wood
//! roughness hardly changes through the year, and what they agree on is tone. The two agreements
//! are compared. On the development photos their ratio was 0.84 to 1.1 for ring-porous discs and at
//! most 0.54 for the others.
//!
//! Where pores are small in the photo the ratio falls to 0.14 to 0.6 for ring-porous wood too. Its
//! rows of pores then still are rough in step with the tone (`Row`), and that tells two things. Where the
//! row is a band of its own in the tone, pale or dark, tone shows it best, but a narrow band would
//! pass for what closes a ring: the row opens one, which is the sense of its inner edge. Where it
//! is not, roughness shows it better.
//!
//! A dark row passes for latewood above all, a pale one for the pale wood between narrow dark bands. The
//! texture of the wood parts them (`Texture`): pores change the tone along the ring as much as across it,
//! latewood is steep across only, and at both its edges. Limit: rows that blur into a smooth line.

use crate::evidence::{ARCS, Evidence};
use crate::plane::{Plane, skew};
use crate::settings::WoodKind;

/// What marks the rings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RingMark {
    /// Where the boundaries are looked for.
    pub sign: RingSign,
    /// How sure the sign is, 0 to 1.
    pub confidence: f64,
}

/// Where boundaries are looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RingSign {
    /// In the change of tone, in the sense that the tone itself tells ([`tone_sense`]).
    Tone,
    /// Where the wood turns rough along the ring.
    Pores,
    /// In the change of tone, at the inner edge of rows of pores.
    RowsOfPores {
        /// How tone changes outward there: +1 dark to pale, -1 pale to dark.
        sense: f32,
    },
}

/// Ratio of the agreements, roughness to tone, at even odds for pores.
const EVEN_RATIO: f64 = 0.62;

/// Sureness of the tone's sense from which it outweighs blurred rows: on weathered faces whose rings close
/// pale it was 0.96 and more, but for one at 0.61.
const SURE: f64 = 0.9;

/// How far roughness has to lean to one side of the change of tone ([`Row::side`]) to tell a blurred row.
const LEANS: f64 = 1.2;

/// How sure a disc is ring-porous whose rows of pores show: said rightly of all 120 of 480 practice discs
/// that the limits were chosen on, and of 75 of 76 of 300 others.
const SAID_OF_ROWS: f64 = 0.95;

/// Tells what marks the rings, unless the kind of wood is given.
pub fn tell(evidence: &Evidence, given: Option<WoodKind>) -> RingMark {
    if given.is_some_and(|kind| kind != WoodKind::RingPorous) {
        return RingMark {
            sign: RingSign::Tone,
            confidence: 1.0,
        };
    }
    let ratio = rms(&evidence.agreed_onset) / rms(&evidence.agreed).max(1e-9);
    // Even odds where the agreements are about equal.
    let odds = (ratio / EVEN_RATIO).ln() * 4.0;
    let chance = 1.0 / (1.0 + (-odds).exp());
    let row = Row::of(evidence);
    let texture = Texture::of(evidence);
    let (by_tone, sure) = tone_sense(evidence);
    let against_tone = row.sense() * by_tone < 0.0;
    let small_rows = ratio < EVEN_RATIO && row.shows();
    let banded = small_rows && row.is_band();
    let latewood = row.is_dark() && !texture.is_alike();
    let dark_pores = row.is_dark() && texture.is_of_pores();
    let blurred_row = blurred_row(&row, &texture, by_tone, sure);
    let sign = if dark_pores {
        RingSign::Pores
    } else if banded && (given.is_some() || against_tone && !latewood) {
        RingSign::RowsOfPores { sense: row.sense() }
    } else if !banded && (given.is_some() || small_rows || chance > 0.5) {
        RingSign::Pores
    } else if let Some(sense) = blurred_row {
        RingSign::RowsOfPores { sense }
    } else {
        // Of a narrow band with the tone's own sense too: a conifer's may be rough.
        RingSign::Tone
    };
    let confidence = if given.is_some() {
        1.0
    } else if sign == RingSign::Tone {
        chance.max(1.0 - chance)
    } else if dark_pores || small_rows || blurred_row.is_some() {
        SAID_OF_ROWS
    } else {
        chance
    };
    RingMark { sign, confidence }
}

/// How tone changes outward where rows of pores set in that are too small or blurred to be told by their
/// roughness alone; `by_tone` and `sure` as [`tone_sense`] gives them.
fn blurred_row(row: &Row, texture: &Texture, by_tone: f32, sure: f64) -> Option<f32> {
    let tone_yields = |sense: f32| sense * by_tone > 0.0 || sure < SURE;
    let dark =
        texture.dark_is_even() || row.side < -LEANS && texture.is_alike() && tone_yields(-1.0);
    let pale = texture.pale_is_steep() && tone_yields(1.0);
    if row.is_dark() && dark {
        Some(-1.0)
    } else if row.is_pale() && pale {
        Some(1.0)
    } else {
        None
    }
}

/// How roughness goes along with tone, both agreed between the arcs and less their mean over a ring
/// and a half.
#[derive(Debug)]
struct Row {
    /// Where roughness lies beside the change of tone: high just outward of where tone turns pale
    /// (positive) or dark (negative), in products of their deviations.
    side: f64,
    /// Deviation of the roughness over that of the tone.
    size: f64,
    /// Correlation of roughness and tone.
    band: f64,
    /// Agreed change of roughness, local deviations.
    onset: f64,
}

impl Row {
    fn of(evidence: &Evidence) -> Row {
        let roughness = agreed_about_mean(&evidence.roughness, &evidence.seen);
        let tone = agreed_about_mean(&evidence.tone, &evidence.seen);
        let change = &evidence.agreed;
        // From a sample before the change to three after it: a row takes up to a third of a ring.
        let side: f32 = roughness
            .windows(5)
            .zip(&change[1.min(change.len())..])
            .map(|(beside, change)| change * beside.iter().sum::<f32>())
            .sum();
        let n = change.len().max(1) as f64;
        let (of_roughness, of_tone) = (rms(&roughness).max(1e-9), rms(&tone).max(1e-9));
        Row {
            side: f64::from(side) / n / (of_roughness * rms(change).max(1e-9)),
            size: of_roughness / of_tone,
            band: correlation(&roughness, &tone),
            onset: rms(&evidence.agreed_onset),
        }
    }

    /// Whether rows of pores show. Ring-porous practice discs of which the three tell anything lay at 1.4 to
    /// 2.7, 0.13 to 0.3 and 0.26 to 0.45; of the other discs none reaches all three but one real conifer
    /// with rough latewood, whose tone has the same sense.
    fn shows(&self) -> bool {
        self.side.abs() > 1.4 && self.size > 0.1 && self.onset > 0.22
    }

    /// Whether what is rough is dark, so that it may pass for latewood.
    fn is_dark(&self) -> bool {
        self.band < -0.25 && self.size > 0.07
    }

    /// Whether the wood is rough just outward of where it turns pale.
    fn is_pale(&self) -> bool {
        self.side > LEANS && self.size > 0.03
    }

    /// Whether the row is a band of its own in the tone.
    fn is_band(&self) -> bool {
        self.band.abs() >= 0.5
    }

    /// How tone changes outward where a row sets in.
    fn sense(&self) -> f32 {
        if self.side >= 0.0 { 1.0 } else { -1.0 }
    }
}

/// How alike the tone changes along the rings, a ray on, and across them, a px outward.
#[derive(Debug)]
struct Texture {
    /// Square of roughness over that of steepness, over the whole disc.
    alike: f64,
    /// The same of what rises and falls with the rings: slope of the one square against the other.
    alike_in_step: f64,
    /// Correlation of the steepness with the tone, both agreed and less their mean over a ring and a half.
    steep_in_tone: f64,
}

impl Texture {
    fn of(evidence: &Evidence) -> Texture {
        let squared = |plane: &Plane| plane.with(plane, |a, b| a * b);
        let (along, across) = (squared(&evidence.roughness), squared(&evidence.steepness()));
        let (mut of_along, mut of_across) = (0.0, 0.0);
        let (mut together, mut of_across_in_step) = (0.0, 0.0);
        for arc in 0..ARCS {
            let (along, across) = (along.row(arc), across.row(arc));
            let seen = evidence.seen.row(arc);
            for s in (0..seen.len()).filter(|s| seen[*s] > 0.5) {
                of_along += f64::from(along[s]);
                of_across += f64::from(across[s]);
                let (a, b) = (above_mean(along, s), above_mean(across, s));
                together += f64::from(a * b);
                of_across_in_step += f64::from(b * b);
            }
        }
        let steep = agreed_about_mean(&across, &evidence.seen);
        let tone = agreed_about_mean(&evidence.tone, &evidence.seen);
        Texture {
            alike: of_along / of_across.max(1e-12),
            alike_in_step: together / of_across_in_step.max(1e-12),
            steep_in_tone: correlation(&steep, &tone),
        }
    }

    /// Whether it is that of dark pores. Of 569 discs (rendered, practice and real ones) 50 are dark where
    /// they are rough and have this texture, and all are ring-porous; the roughest latewood, of a real
    /// conifer, lies at 0.30, 0.10 and -0.62.
    fn is_of_pores(&self) -> bool {
        self.is_alike() && self.alike_in_step > 0.14 && self.steep_in_tone > -0.5
    }

    /// Whether the wood changes about as much along the rings as across them. Dark rough bands of conifers
    /// lay at 0.30 to 0.37, dark rows of pores at 1.0 and more.
    fn is_alike(&self) -> bool {
        self.alike > 0.65
    }

    /// Whether the dark is no steeper than the pale, as in a dark row whose pores are too small to be seen
    /// one by one. Latewood is steep at both its edges.
    fn dark_is_even(&self) -> bool {
        self.steep_in_tone > -0.3
    }

    /// Whether the pale is steeper than the dark: a narrow pale row, and not the pale wood between narrow
    /// dark bands, on which it was at most 0.06.
    fn pale_is_steep(&self) -> bool {
        self.steep_in_tone > 0.1
    }
}

/// Correlation of two lines whose means are zero.
fn correlation(a: &[f32], b: &[f32]) -> f64 {
    let together: f32 = a.iter().zip(b).map(|(a, b)| a * b).sum();
    let n = a.len().max(1) as f64;
    f64::from(together) / n / (rms(a).max(1e-9) * rms(b).max(1e-9))
}

/// Mean over the arcs that see it of what stands out from its mean over a ring and a half.
fn agreed_about_mean(plane: &Plane, seen: &Plane) -> Vec<f32> {
    let mut sum = vec![0.0; plane.width];
    let mut count = vec![1e-3f32; plane.width];
    for arc in 0..plane.height {
        let row = plane.row(arc);
        for s in 0..row.len() {
            if seen.at(s, arc) > 0.5 {
                sum[s] += above_mean(row, s);
                count[s] += 1.0;
            }
        }
    }
    sum.iter().zip(&count).map(|(s, n)| s / n).collect()
}

/// A sample of a row less the mean over a ring and a half about it.
fn above_mean(row: &[f32], s: usize) -> f32 {
    let (a, b) = (s.saturating_sub(6), (s + 7).min(row.len()));
    row[s] - row[a..b].iter().sum::<f32>() / (b - a) as f32
}

/// Root mean square.
fn rms(line: &[f32]) -> f64 {
    let sum: f64 = line.iter().map(|v| f64::from(v * v)).sum();
    (sum / line.len().max(1) as f64).sqrt()
}

/// Whether rings of this disc end dark to pale or pale to dark, and how sure that is.
///
/// Two signs, both taken on the single arcs, where lining up can't blur them. A year ends with its
/// sharpest edge, so the change outward is skewed towards the sense of the end. And what closes a
/// ring (latewood, a terminal line) is narrower than the rest of it: a dark close skews the tone to
/// the dark and ends dark to pale, a pale one the other way. The skew of the tone was right on
/// the development discs read by tone, all but a weathered stump with pale latewood; that of the
/// agreed change was wrong on eight of 33 photos.
pub fn tone_sense(evidence: &Evidence) -> (f32, f64) {
    // Less the mean over a ring and a half: heartwood, stain and shadow are skewed too.
    let tone = (0..ARCS).flat_map(|arc| {
        let (row, seen) = (evidence.tone.row(arc), evidence.seen.row(arc));
        let is_seen = move |s: &usize| seen[*s] > 0.5;
        (0..row.len()).filter(is_seen).map(|s| above_mean(row, s))
    });
    let lean = evidence.skew_of_change() - skew(tone);
    // 0.25: leans of rough faces that were read right began at 0.1.
    (
        if lean >= 0.0 { 1.0 } else { -1.0 },
        (lean / 0.25).tanh().abs(),
    )
}
