//! The colours of pages and charts, one table for both, by light and by dark.
//!
//! Each colour has a task and a name for it. A page gets them as CSS custom properties; a chart is
//! drawn in the light ones, and inside a page each is put in the reader's hands as `var(--name)`, so
//! that a chart follows the page into the dark. Text against its ground keeps the contrast of 4.5 to
//! 1 that WCAG 2.2 (success criterion 1.4.3) asks for, lines and fills that carry meaning the 3 to 1
//! of 1.4.11; a test computes both. Data inks also differ in lightness, so that print in grey tells
//! them apart, and no meaning rests on colour alone.

/// A colour by its task, light and dark, as sRGB.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ink {
    /// Name of the CSS custom property, without its dashes.
    pub name: &'static str,
    /// On light ground and on paper.
    pub light: [u8; 3],
    /// On dark ground.
    pub dark: [u8; 3],
}

/// Ground of the page.
pub const GROUND: Ink = Ink {
    name: "ground",
    light: [252, 250, 245],
    dark: [21, 25, 24],
};
/// Ground of boxes, tables and charts on the page.
pub const PANEL: Ink = Ink {
    name: "panel",
    light: [255, 255, 255],
    dark: [30, 36, 34],
};
/// Letters.
pub const TEXT: Ink = Ink {
    name: "text",
    light: [28, 39, 36],
    dark: [233, 230, 221],
};
/// Lesser letters, axes.
pub const DIM: Ink = Ink {
    name: "dim",
    light: [84, 97, 92],
    dark: [170, 180, 174],
};
/// Fine rules: grids, edges of tables. They carry no meaning.
pub const RULE: Ink = Ink {
    name: "rule",
    light: [221, 215, 202],
    dark: [60, 69, 65],
};
/// First ink of data, and of links: bark.
pub const BARK: Ink = Ink {
    name: "bark",
    light: [122, 62, 18],
    dark: [231, 166, 112],
};
/// Second ink of data: water.
pub const WATER: Ink = Ink {
    name: "water",
    light: [24, 104, 138],
    dark: [120, 194, 222],
};
/// Third ink of data: leaf.
pub const LEAF: Ink = Ink {
    name: "leaf",
    light: [92, 122, 46],
    dark: [172, 204, 122],
};
/// Fill of bands and of what is in doubt.
pub const HAZE: Ink = Ink {
    name: "haze",
    light: [240, 222, 186],
    dark: [78, 66, 40],
};
/// Letters and edge of a caution.
pub const CAUTION: Ink = Ink {
    name: "caution",
    light: [133, 62, 0],
    dark: [244, 200, 120],
};

/// All colours, in the order of the style sheet.
pub const ALL: [Ink; 10] = [
    GROUND, PANEL, TEXT, DIM, RULE, BARK, WATER, LEAF, HAZE, CAUTION,
];

impl Ink {
    /// The light colour as CSS has it, in capitals: `#7A3E12`.
    pub fn light_hex(self) -> String {
        hex(self.light)
    }

    /// The dark colour as CSS has it.
    pub fn dark_hex(self) -> String {
        hex(self.dark)
    }
}

fn hex([r, g, b]: [u8; 3]) -> String {
    format!("#{r:02X}{g:02X}{b:02X}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Contrast ratio of two sRGB colours by WCAG 2.2's definition (relative luminance).
    fn contrast(a: [u8; 3], b: [u8; 3]) -> f64 {
        let luminance = |c: [u8; 3]| {
            let [r, g, b] = c.map(|v| {
                let v = f64::from(v) / 255.0;
                if v <= 0.04045 {
                    v / 12.92
                } else {
                    ((v + 0.055) / 1.055).powf(2.4)
                }
            });
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn the_contrast_formula_gives_the_standards_ends() {
        // WCAG 2.2: black on white is 21 to 1, a colour on itself 1 to 1.
        assert!((contrast([0; 3], [255; 3]) - 21.0).abs() < 1e-9);
        assert!((contrast([9, 9, 200], [9, 9, 200]) - 1.0).abs() < 1e-9);
    }

    #[test]
    fn text_and_data_stand_out_from_every_ground_in_light_and_in_dark() {
        for ground in [GROUND, PANEL, HAZE] {
            for ink in [TEXT, DIM, BARK, CAUTION] {
                assert!(
                    contrast(ink.light, ground.light) >= 4.5,
                    "{ink:?} {ground:?}"
                );
                assert!(contrast(ink.dark, ground.dark) >= 4.5, "{ink:?} {ground:?}");
            }
            for ink in [WATER, LEAF] {
                assert!(
                    contrast(ink.light, ground.light) >= 3.0,
                    "{ink:?} {ground:?}"
                );
                assert!(contrast(ink.dark, ground.dark) >= 3.0, "{ink:?} {ground:?}");
            }
        }
    }

    #[test]
    fn no_two_colours_are_the_same() {
        // A chart's colours are found again by their value.
        for (i, a) in ALL.iter().enumerate() {
            for b in &ALL[..i] {
                assert_ne!(a.light, b.light);
                assert_ne!(a.name, b.name);
            }
        }
    }
}
