//! Letters on pictures: one embedded open font, measured, shortened and blended in.
//!
//! The font is `DejaVu` Sans 2.37 (Debian package fonts-dejavu-core), cut down to Latin, Greek and
//! Cyrillic with fonttools (`pyftsubset`, unhinted); its licence lies beside it as
//! `DejaVuSans-LICENSE.txt`. What the font lacks, control signs among it, is drawn as the font's
//! box, so that any file name can be lettered. There is no shaping: letters stand side by side with
//! the font's kerning, which serves the scripts that the font has.

use super::canvas::{Canvas, Rgb3};
use ab_glyph::{Font, FontRef, GlyphId, PxScale, ScaleFont, point};

pub(crate) const FONT: &[u8] = include_bytes!("DejaVuSans-subset.ttf");

/// The embedded font, ready to draw. All sizes are em sizes in px.
pub(crate) struct Lettering {
    font: FontRef<'static>,
    /// The font's line height over its em.
    line_per_em: f32,
    /// The font's ascent over its em.
    ascent_per_em: f32,
}

impl Lettering {
    /// Opens the embedded font.
    pub(crate) fn new() -> Self {
        let font = FontRef::try_from_slice(FONT).expect("the embedded font is a sound file");
        let em = font
            .units_per_em()
            .expect("the embedded font states its em");
        Lettering {
            line_per_em: font.height_unscaled() / em,
            ascent_per_em: font.ascent_unscaled() / em,
            font,
        }
    }

    /// Glyph of a sign, the box for what the font lacks.
    fn glyph(&self, sign: char) -> GlyphId {
        if sign.is_control() {
            GlyphId(0)
        } else {
            self.font.glyph_id(sign)
        }
    }

    fn scale(&self, size_px: f32) -> PxScale {
        PxScale::from(size_px * self.line_per_em)
    }

    /// Height of a line, px.
    pub(crate) fn line_px(&self, size_px: f32) -> f32 {
        size_px * self.line_per_em
    }

    /// Width of a text, px.
    pub(crate) fn width_px(&self, text: &str, size_px: f32) -> f32 {
        let font = self.font.as_scaled(self.scale(size_px));
        let mut width = 0.0;
        let mut before: Option<GlyphId> = None;
        for sign in text.chars() {
            let id = self.glyph(sign);
            if let Some(before) = before {
                width += font.kern(before, id);
            }
            width += font.h_advance(id);
            before = Some(id);
        }
        width
    }

    /// The text itself if it fits, else its start with an ellipsis; nothing where not even that fits.
    pub(crate) fn shorten(&self, text: &str, size_px: f32, room_px: f32) -> String {
        if self.width_px(text, size_px) <= room_px {
            return text.to_owned();
        }
        // No text that fits has more signs than the narrowest glyph allows; cutting there first
        // keeps the search short for absurdly long names.
        let signs: Vec<char> = text.chars().take(4000).collect();
        let (mut fits, mut too_long) = (0, signs.len() + 1);
        let cut = |n: usize| -> String {
            let start: String = signs.iter().take(n).collect();
            format!("{}…", start.trim_end())
        };
        if self.width_px(&cut(0), size_px) > room_px {
            return String::new();
        }
        while too_long - fits > 1 {
            let n = usize::midpoint(fits, too_long);
            if self.width_px(&cut(n), size_px) <= room_px {
                fits = n;
            } else {
                too_long = n;
            }
        }
        cut(fits)
    }

    /// Letters `text` with the upper left corner of its line at (`x_px`, `y_px`).
    pub(crate) fn draw(
        &self,
        canvas: &mut Canvas<'_>,
        (x_px, y_px): (f32, f32),
        size_px: f32,
        text: &str,
        colour: Rgb3,
    ) {
        let scale = self.scale(size_px);
        let font = self.font.as_scaled(scale);
        let baseline = y_px + self.ascent_per_em * size_px;
        let mut pen = x_px;
        let mut before: Option<GlyphId> = None;
        for sign in text.chars() {
            let id = self.glyph(sign);
            if let Some(before) = before {
                pen += font.kern(before, id);
            }
            let glyph = id.with_scale_and_position(scale, point(pen, baseline));
            if let Some(outlined) = self.font.outline_glyph(glyph) {
                let bounds = outlined.px_bounds();
                #[allow(
                    clippy::cast_possible_truncation,
                    reason = "places on a picture are far below the limits of i64"
                )]
                let (left, top) = (bounds.min.x.floor() as i64, bounds.min.y.floor() as i64);
                outlined.draw(|x, y, coverage| {
                    canvas.blend(left + i64::from(x), top + i64::from(y), colour, coverage);
                });
            }
            pen += font.h_advance(id);
            before = Some(id);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::RgbImage;

    #[test]
    fn what_the_font_lacks_is_drawn_as_a_box() {
        let letters = Lettering::new();
        for text in ["\u{6728}", "\u{1f332}", "\n", "\u{7}"] {
            let mut picture = RgbImage::new(60, 60);
            letters.draw(
                &mut Canvas::new(&mut picture),
                (10.0, 5.0),
                30.0,
                text,
                [255; 3],
            );
            assert!(
                picture.pixels().any(|p| p[0] > 200),
                "{text:?} left nothing"
            );
            assert!(letters.width_px(text, 30.0) > 5.0);
        }
    }

    #[test]
    fn the_signs_of_captions_are_in_the_font() {
        let letters = Lettering::new();
        for sign in "aZ09 .,:;%?()/±×·…–°äöüßñçéØłŽабвЯ\u{3b1}≥−".chars()
        {
            assert_ne!(letters.glyph(sign), GlyphId(0), "{sign} is not in the font");
        }
    }

    #[test]
    fn a_text_too_long_is_shortened_to_its_room() {
        let letters = Lettering::new();
        let long = "stack 4, butt end of the ".repeat(400);
        for room in [0.0, 10.0, 60.0, 300.0, 2000.0] {
            let short = letters.shorten(&long, 20.0, room);
            assert!(letters.width_px(&short, 20.0) <= room);
            if room >= 60.0 {
                assert!(short.ends_with('…'), "{short:?}");
                assert!(letters.width_px(&short, 20.0) > room - 40.0);
            }
        }
        assert_eq!(letters.shorten("short", 20.0, 300.0), "short");
    }

    #[test]
    fn letters_off_the_picture_are_cut_and_never_a_crash() {
        let letters = Lettering::new();
        let mut picture = RgbImage::new(20, 20);
        for at in [(-400.0, -40.0), (15.0, 15.0), (-10.0, 5.0), (1e6, 1e6)] {
            letters.draw(
                &mut Canvas::new(&mut picture),
                at,
                30.0,
                "ring 87",
                [255; 3],
            );
        }
        assert!(picture.pixels().any(|p| p[0] > 0));
    }
}
