//! Practice discs with known rings: grows a disc year by year, photographs it, and tells the truth.
//!
//! Hand-counted photos are few and their counts are opinions; a rendered disc knows its rings to a
//! fraction of a pixel. The demo makes the fixtures, feeds the tests and benches, calibrates the
//! doubt of a reading, and lets a person practise counting. Its discs are said to come from
//! Quillbrook yard, where every log has a tag from QB-0000 on; yard and tags are invented.
//!
//! Sets that are written are grown round a pith ([`Plan::with_pith`](crate::demo::Plan::with_pith)).
//!
//! [`plan`](crate::demo::plan) draws every parameter of a photo from a suite, a seed and a number; [`render`](crate::demo::render) turns a
//! plan into pixels without further chance; [`write`](crate::demo::write) does both for a whole set. The same seed gives
//! the same picture, and the same disc may be had at any size ([`Plan::at_megapixels`](crate::demo::Plan::at_megapixels)).
//!
//! Pixels are mapped back to the face, a point finds its ring by binary search along its azimuth,
//! and wood is painted from its place in the ring. What is not modelled: the third dimension (pores
//! and cracks have no depth, a tilted disc shows no side), curvature of the lens, and rings that
//! bend round knots.

mod blemish;
mod chance;
mod ground;
mod growth;
mod looks;
mod noise;
mod picture;
mod plan;
mod recipe;
mod rim;
mod truth;
mod view;
mod wood;
mod writing;

pub use plan::{Plan, plan};
pub use truth::{CheckTruth, FalseRingTruth, Truth};
pub use writing::{Order, Written, write};

use image::RgbImage;

/// Suites: what kind of photo, by its main trouble.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Suite {
    /// A clean conifer.
    CleanConifer,
    /// A clean ring-porous wood.
    CleanRingPorous,
    /// A clean diffuse-porous wood.
    CleanDiffuse,
    /// Drying checks, hairline and gaping.
    Checks,
    /// Marks of a chainsaw or bandsaw across the face.
    SawMarks,
    /// Narrow rings, 4 to 7 px in the picture.
    Tight,
    /// A strongly off-centre pith.
    Eccentric,
    /// A hollow or rotten heart.
    Hollow,
    /// Cut by the frame.
    Cropped,
    /// Stains, dirt, wet patches.
    Stained,
    /// The camera held askew.
    Perspective,
    /// A radius ruled in ink, with ticks.
    PenMarks,
    /// Density bands that are no rings, and rings missing in a sector.
    FalseAndMissing,
    /// A weathered face, often with bright latewood.
    Worn,
    /// Several troubles at once.
    Mixed,
    /// No rings: a sawn face that shows nothing but saw marks.
    NoneSaw,
    /// No rings: a wall.
    NoneWall,
    /// No rings: boards from the side.
    NonePlank,
    /// No rings: fallen leaves.
    NoneLeaves,
    /// No rings: a disc so blurred that none can be told from its neighbour.
    NoneBlur,
}

impl Suite {
    /// All suites; those without rings last.
    pub const ALL: [Suite; 20] = [
        Suite::CleanConifer,
        Suite::CleanRingPorous,
        Suite::CleanDiffuse,
        Suite::Checks,
        Suite::SawMarks,
        Suite::Tight,
        Suite::Eccentric,
        Suite::Hollow,
        Suite::Cropped,
        Suite::Stained,
        Suite::Perspective,
        Suite::PenMarks,
        Suite::FalseAndMissing,
        Suite::Worn,
        Suite::Mixed,
        Suite::NoneSaw,
        Suite::NoneWall,
        Suite::NonePlank,
        Suite::NoneLeaves,
        Suite::NoneBlur,
    ];

    /// The suites whose photos have rings to count.
    pub fn with_rings() -> impl Iterator<Item = Suite> {
        Suite::ALL.into_iter().filter(|suite| !suite.has_no_rings())
    }

    /// Name for files and truth.
    pub fn name(self) -> &'static str {
        match self {
            Suite::CleanConifer => "clean_conifer",
            Suite::CleanRingPorous => "clean_ring_porous",
            Suite::CleanDiffuse => "clean_diffuse",
            Suite::Checks => "checks",
            Suite::SawMarks => "sawmarks",
            Suite::Tight => "tight",
            Suite::Eccentric => "eccentric",
            Suite::Hollow => "hollow",
            Suite::Cropped => "cropped",
            Suite::Stained => "stained",
            Suite::Perspective => "perspective",
            Suite::PenMarks => "penmarks",
            Suite::FalseAndMissing => "false_and_missing",
            Suite::Worn => "worn",
            Suite::Mixed => "mixed",
            Suite::NoneSaw => "none_saw",
            Suite::NoneWall => "none_wall",
            Suite::NonePlank => "none_plank",
            Suite::NoneLeaves => "none_leaves",
            Suite::NoneBlur => "none_blur",
        }
    }

    /// The suite of a name.
    pub fn of_name(name: &str) -> Option<Suite> {
        Suite::ALL.into_iter().find(|suite| suite.name() == name)
    }

    /// Nothing can be counted in its photos.
    pub fn has_no_rings(self) -> bool {
        matches!(
            self,
            Suite::NoneSaw
                | Suite::NoneWall
                | Suite::NonePlank
                | Suite::NoneLeaves
                | Suite::NoneBlur
        )
    }

    /// Part of the seed: stays the same when suites are added or sorted anew.
    fn number(self) -> u64 {
        self.name()
            .bytes()
            .fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
                (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
            })
    }
}

/// A practice photo and what is true of it.
#[derive(Debug, Clone)]
pub struct Rendered {
    /// The pixels, before any compression.
    pub pixels: RgbImage,
    /// The truth, in px of these pixels.
    pub truth: Truth,
}

/// Photographs a planned disc: the same pixels for the same plan, on any number of threads.
///
/// # Memory
/// Two copies of the picture (3 bytes a pixel each) while it is made.
pub fn render(plan: &Plan) -> Rendered {
    let view = plan.view();
    Rendered {
        pixels: picture::paint(plan, &view),
        truth: truth::of(plan, &view),
    }
}
