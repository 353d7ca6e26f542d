//! What wood looks like: colours of early and latewood, heart and sap, for looks from pale to dark.
//!
//! The colours are chosen by eye for the woods they stand for; they are no measurements.

use super::chance::Chance;
use crate::settings::WoodKind;

/// Red, green, blue, each 0 to 1 (sRGB).
pub(crate) type Colour = [f64; 3];

/// A colour written as 0xRRGGBB.
pub(crate) const fn rgb(code: u32) -> Colour {
    [
        ((code >> 16) & 255) as f64 / 255.0,
        ((code >> 8) & 255) as f64 / 255.0,
        (code & 255) as f64 / 255.0,
    ]
}

/// Between two colours.
#[inline]
pub(crate) fn blend(a: Colour, b: Colour, t: f64) -> Colour {
    [
        a[0] + (b[0] - a[0]) * t,
        a[1] + (b[1] - a[1]) * t,
        a[2] + (b[2] - a[2]) * t,
    ]
}

/// A colour made brighter or darker.
#[inline]
pub(crate) fn lit(a: Colour, factor: f64) -> Colour {
    [a[0] * factor, a[1] * factor, a[2] * factor]
}

/// The look of a wood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Species {
    /// Name of the look, for the truth.
    pub(crate) name: &'static str,
    /// Earlywood of the sapwood.
    pub(crate) early: Colour,
    /// Latewood of the sapwood.
    pub(crate) late: Colour,
    /// What the heartwood multiplies both with.
    pub(crate) heart: Colour,
    /// Pores, where there are any.
    pub(crate) pore: Colour,
}

const fn species(name: &'static str, early: u32, late: u32, heart: u32, pore: u32) -> Species {
    Species {
        name,
        early: rgb(early),
        late: rgb(late),
        heart: rgb(heart),
        pore: rgb(pore),
    }
}

const CONIFERS: [Species; 8] = [
    species("pale spruce", 0xe9d3a8, 0xb98a52, 0xf4ecdf, 0),
    species("yellow pine", 0xe4c48c, 0xa8682c, 0xe0c09a, 0),
    species("red fir", 0xdcb184, 0x8f5027, 0xd9a98a, 0),
    species("larch", 0xd7a572, 0x83441d, 0xc99a78, 0),
    species("dark cedar", 0xb9835c, 0x6c3a22, 0xb48468, 0),
    species("pink juniper", 0xdfa892, 0x9a5147, 0xcf9088, 0),
    species("old brown", 0xa9835a, 0x5e4128, 0xcab39a, 0),
    species("freshly cut", 0xecd9b4, 0xcf9a5c, 0xf0d7b8, 0),
];
const RING_POROUS: [Species; 5] = [
    species("oak", 0xd3b184, 0xb08755, 0xb48e6a, 0x5c4226),
    species("ash", 0xdfc8a0, 0xb99868, 0xd8c4ac, 0x7d6240),
    species("elm", 0xc79f6d, 0x96693c, 0xb08766, 0x4e3620),
    species("locust", 0xc9ad62, 0x8f7233, 0xb79a64, 0x4a3a18),
    species("chestnut", 0xcaa678, 0x94714a, 0xbd9875, 0x4a3522),
];
const DIFFUSE: [Species; 6] = [
    species("maple", 0xe6cfa9, 0xc39a68, 0xd8bd9e, 0xa98356),
    species("birch", 0xe2c9a0, 0xb98b58, 0xe0c4a4, 0x9c774b),
    species("beech", 0xd9b087, 0xab7748, 0xd6b294, 0x94683f),
    species("cherry", 0xd39f71, 0x99603a, 0xc88f70, 0x85522f),
    species("poplar", 0xd9d0a4, 0xa59a63, 0xb8b08c, 0x978a5a),
    species("pear", 0xc9946d, 0x935a38, 0xd0a58c, 0x7f4f33),
];
const WEATHERED: [Species; 3] = [
    species("weathered grey", 0x9b958c, 0x524c46, 0xd6d2cd, 0x35302b),
    species("silver grey", 0xb9b7b2, 0x6b6862, 0xe0dedb, 0x45423e),
    species("weathered brown", 0x94806b, 0x4d3d30, 0xd2c3b4, 0x35291f),
];

/// Draws a look for a kind of wood and varies it.
pub(crate) fn draw(wood: WoodKind, weathered: bool, chance: &mut Chance) -> Species {
    let mut look = if weathered {
        chance.pick(&WEATHERED)
    } else {
        match wood {
            WoodKind::Conifer => chance.pick(&CONIFERS),
            WoodKind::RingPorous => chance.pick(&RING_POROUS),
            WoodKind::DiffusePorous => chance.pick(&DIFFUSE),
        }
    };
    let light = chance.between(0.88, 1.06);
    // Warmth as a camera's white balance has it: red against blue.
    let warm = chance.between(-0.05, 0.05);
    for colour in [&mut look.early, &mut look.late, &mut look.pore] {
        *colour = [
            colour[0] * light * (1.0 + warm),
            colour[1] * light,
            colour[2] * light * (1.0 - warm),
        ];
    }
    look
}
