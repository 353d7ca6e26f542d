//! What is said of a comparison: sentences, and a table of marks and stretches.

use super::comparing::{Comparison, Finding, Stretch, TotalComparison};
use crate::reading::Reading;
use crate::settings::LengthUnit;
use crate::units::MM_PER_INCH;
use std::fmt::Write as _;

/// The sentence about the totals.
pub fn total(total: &TotalComparison, level: f64) -> String {
    let TotalComparison {
        hand,
        reading,
        low,
        high,
        difference,
        finding,
    } = *total;
    let band = match high {
        Some(high) => format!("band {low}-{high} at {} %", percent(level)),
        None => format!("at least {low}: the centre or the edge is not in the photo"),
    };
    let off = difference.unsigned_abs();
    match finding {
        Finding::Agrees => format!("your total of {hand} agrees with my count ({band})"),
        Finding::Differs => {
            format!(
                "your total of {hand} differs by {off} from my {reading}, outside the band ({band})"
            )
        }
        Finding::WithinDoubt | Finding::NotRead => {
            format!("your total of {hand} is within doubt: I count {reading} ({band})")
        }
    }
}

/// A stretch's name: `40-60`, from the pith, to the bark.
pub fn name(stretch: &Stretch) -> String {
    let from = match stretch.from_ring {
        0 => "pith".to_owned(),
        ring => ring.to_string(),
    };
    if stretch.ends_at_edge {
        format!("{from}-bark")
    } else {
        format!("{from}-{}", stretch.to_ring)
    }
}

/// The sentence about a stretch.
pub fn stretch(stretch: &Stretch) -> String {
    let name = name(stretch);
    let hand = stretch.hand_rings;
    let Some(read) = stretch.reading_rings else {
        return format!("your {name} stretch: I can't tell; no rings are read between its marks");
    };
    let sure = match stretch.sure_rings {
        n if n == read => "of all of them".to_owned(),
        0 => "of none of them".to_owned(),
        n => format!("of {n} of them"),
    };
    let band = stretch
        .band
        .filter(|(low, high)| low < high)
        .map_or(String::new(), |(low, high)| format!(" ({low} to {high})"));
    match stretch.finding {
        Finding::Agrees => format!("your {name} stretch holds {}, as you say", rings(hand)),
        Finding::Differs => format!(
            "your {name} stretch holds {}{band}, not {hand}; I am sure {sure}",
            rings(read)
        ),
        Finding::WithinDoubt | Finding::NotRead => format!(
            "your {name} stretch: I see {}{band} where you have {hand}, but am not sure enough to say who is right; I am sure {sure}",
            rings(read)
        ),
    }
}

fn rings(count: u32) -> String {
    match count {
        1 => "1 ring".into(),
        n => format!("{n} rings"),
    }
}

/// Everything to be said, the total first, then the stretches that part, likeliest fault first.
pub fn sentences(comparison: &Comparison, reading: &Reading) -> Vec<String> {
    if !reading.is_counted() {
        return vec![
            "no rings could be read in this photo: there is nothing to hold the count against"
                .into(),
        ];
    }
    let mut said = Vec::new();
    if let Some(totals) = &comparison.total {
        said.push(total(totals, reading.age.level));
    }
    let suspects = comparison.suspects.iter();
    said.extend(
        suspects
            .filter_map(|&i| comparison.stretches.get(i))
            .map(stretch),
    );
    let unread = comparison
        .stretches
        .iter()
        .filter(|stretch| stretch.finding == Finding::NotRead);
    said.extend(unread.map(stretch));
    let agreeing = comparison
        .stretches
        .iter()
        .filter(|stretch| stretch.finding == Finding::Agrees)
        .count();
    if agreeing > 0 {
        said.push(if agreeing == comparison.stretches.len() {
            "all stretches agree ring for ring".to_owned()
        } else {
            format!(
                "the other {} ring for ring",
                if agreeing == 1 {
                    "stretch agrees".to_owned()
                } else {
                    format!("{agreeing} stretches agree")
                }
            )
        });
    }
    let parts = |finding| comparison.stretches.iter().any(|s| s.finding == finding);
    if comparison
        .total
        .is_some_and(|t| t.finding != Finding::Agrees)
        && comparison.stretches.is_empty()
    {
        said.push(
            "marks along the line would show where the two part: give --mark RING@PLACE, --marks or --find-marks"
                .into(),
        );
    } else if parts(Finding::Differs) || parts(Finding::WithinDoubt) {
        said.push("settle it by eye on the wood or on the stretch's picture (--out)".into());
    }
    said
}

/// The table: a line a stretch with the mark at its outer end.
pub fn table(comparison: &Comparison, unit: LengthUnit) -> String {
    if comparison.stretches.is_empty() {
        return String::new();
    }
    let has_years = comparison.marks.iter().any(|mark| mark.year.is_some());
    let mut head = vec![
        "stretch",
        "yours",
        "mine",
        "band",
        "sure",
        "difference",
        "you right",
        "finding",
        "diameter at mark",
        "mine at that ring",
    ];
    if has_years {
        head.push("year");
    }
    let mut rows = vec![head.into_iter().map(str::to_owned).collect::<Vec<_>>()];
    for stretch in &comparison.stretches {
        let mark = comparison
            .marks
            .iter()
            .find(|mark| mark.ring == stretch.to_ring && !stretch.ends_at_edge);
        let number = |value: Option<String>| value.unwrap_or_else(|| "-".into());
        let mut row = vec![
            name(stretch),
            stretch.hand_rings.to_string(),
            number(stretch.reading_rings.map(|n| n.to_string())),
            number(stretch.band.map(|(low, high)| format!("{low}-{high}"))),
            number(
                stretch
                    .reading_rings
                    .map(|_| stretch.sure_rings.to_string()),
            ),
            number(
                stretch
                    .difference
                    .map(|d| format!("{d:+}").replace("+0", "0")),
            ),
            number(stretch.hand_right.map(|p| format!("{:.0} %", 100.0 * p))),
            stretch.finding.name().into(),
            number(mark.and_then(|m| m.diameter_mm).map(|mm| shown(mm, unit))),
            number(
                mark.and_then(|m| m.reading_diameter_mm)
                    .map(|mm| shown(mm, unit)),
            ),
        ];
        if has_years {
            row.push(number(
                mark.and_then(|m| m.year).map(|year| year.to_string()),
            ));
        }
        rows.push(row);
    }
    aligned(&rows)
}

/// A length as it is shown to people.
pub fn shown(mm: f64, unit: LengthUnit) -> String {
    match unit {
        LengthUnit::Mm => format!("{mm:.1} mm"),
        LengthUnit::In => format!("{:.2} in", mm / MM_PER_INCH),
    }
}

/// Cells below each other; the first column and those of words to the left, numbers to the right.
pub fn aligned(rows: &[Vec<String>]) -> String {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let cell = |row: &Vec<String>, i: usize| row.get(i).map_or(0, |cell| cell.chars().count());
    let wide: Vec<usize> = (0..columns)
        .map(|i| rows.iter().map(|row| cell(row, i)).max().unwrap_or(0))
        .collect();
    let is_words = |i: usize| {
        i == 0
            || rows.iter().skip(1).any(|row| {
                row.get(i)
                    .is_some_and(|cell| cell.starts_with(char::is_alphabetic))
            })
    };
    let words: Vec<bool> = (0..columns).map(is_words).collect();
    let mut text = String::new();
    for row in rows {
        let mut line = String::new();
        for (i, cell) in row.iter().enumerate() {
            let wide = wide[i];
            // Writing into a String can't fail.
            let _ = if words[i] {
                write!(line, "{cell:<wide$}  ")
            } else {
                write!(line, "{cell:>wide$}  ")
            };
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

fn percent(share: f64) -> String {
    format!("{}", (share * 1000.0).round() / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn a_stretch(finding: Finding) -> Stretch {
        Stretch {
            from_ring: 40,
            to_ring: 60,
            ends_at_edge: false,
            from_px: 400.0,
            to_px: 600.0,
            azimuth_deg: None,
            hand_rings: 20,
            reading_rings: Some(23),
            reading_numbers: Some((41, 63)),
            band: Some((22, 24)),
            sure_rings: 22,
            difference: Some(-3),
            hand_right: Some(0.02),
            finding,
        }
    }

    #[test]
    fn a_stretch_that_differs_is_told_in_one_sentence() {
        assert_eq!(
            stretch(&a_stretch(Finding::Differs)),
            "your 40-60 stretch holds 23 rings (22 to 24), not 20; I am sure of 22 of them"
        );
    }

    #[test]
    fn totals_agree_are_within_doubt_or_differ() {
        let mut totals = TotalComparison {
            hand: 97,
            reading: 91,
            low: 89,
            high: Some(94),
            difference: 6,
            finding: Finding::Differs,
        };
        assert_eq!(
            total(&totals, 0.9),
            "your total of 97 differs by 6 from my 91, outside the band (band 89-94 at 90 %)"
        );
        totals.finding = Finding::WithinDoubt;
        assert!(total(&totals, 0.9).contains("within doubt: I count 91"));
        totals.high = None;
        assert!(total(&totals, 0.9).contains("at least 89"));
    }

    #[test]
    fn a_table_has_a_line_a_stretch() {
        let comparison = Comparison {
            stretches: vec![a_stretch(Finding::Differs)],
            ..Comparison::default()
        };
        let text = table(&comparison, LengthUnit::Mm);
        let lines: Vec<&str> = text.lines().collect();
        assert!(lines[0].starts_with("stretch  yours  mine"));
        assert!(
            lines[1].starts_with("40-60       20    23  22-24"),
            "{}",
            lines[1]
        );
        // 254 mm are ten inches by definition.
        assert_eq!(shown(254.0, LengthUnit::In), "10.00 in");
    }
}
