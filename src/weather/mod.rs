//! Weather beside ring widths: which months go with wide rings, if any do.
//!
//! A table of monthly weather ([`Weather`](crate::weather::Weather)) is held against the widths of a disc over their local
//! trend: Pearson's r with each month and season from June of the year before the ring to its
//! September (in the south six months later), an interval by a bootstrap of blocks of years, and the
//! number of correlations that were tried. "A wide ring means a wet year" is a claim that this
//! tests. Limits: one disc is one tree on one site; a correlation is no cause; the weather of a
//! station far away is another weather.

mod correlate;
mod table;

pub use correlate::{Correlation, FEWEST_YEARS, Finding, correlate, pearson};
pub use table::Weather;

/// Months of a year's ring that are looked at, by hemisphere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hemisphere {
    /// A ring grows in the summer of its year.
    North,
    /// A ring grows in the summer that begins in its year.
    South,
}

/// Months that are looked at together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Window {
    /// Name: `Jun before`, `spring`.
    pub name: String,
    /// Months of it: years after the ring's year, and month from 1.
    pub months: Vec<(i32, u8)>,
    /// Whether it is a season of three months.
    pub is_season: bool,
}

const MONTHS: [&str; 12] = [
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
];

/// Months and seasons that are tried, in order: sixteen months, then five seasons.
pub fn windows(hemisphere: Hemisphere) -> Vec<Window> {
    let shift = match hemisphere {
        Hemisphere::North => 0,
        Hemisphere::South => 6,
    };
    // Months counted from January of the ring's year, as 0.
    let month = |at: i32| {
        let at = at + shift;
        (
            at.div_euclid(12),
            u8::try_from(at.rem_euclid(12) + 1).unwrap_or(1),
        )
    };
    let month_name = |at: i32| {
        let (year, month) = month(at);
        let name = MONTHS[usize::from(month - 1)];
        match year {
            0 => name.to_owned(),
            year if year < 0 => format!("{name} before"),
            _ => format!("{name} after"),
        }
    };
    let mut windows: Vec<Window> = (-7..9)
        .map(|at| Window {
            name: month_name(at),
            months: vec![month(at)],
            is_season: false,
        })
        .collect();
    for (name, from) in [
        ("summer before", -7),
        ("autumn before", -4),
        ("winter", -1),
        ("spring", 2),
        ("summer", 5),
    ] {
        windows.push(Window {
            name: name.to_owned(),
            months: (from..from + 3).map(month).collect(),
            is_season: true,
        });
    }
    windows
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn months_run_from_june_before_to_september_and_six_months_later_in_the_south() {
        let north = windows(Hemisphere::North);
        assert_eq!(north.len(), 21);
        assert_eq!(
            (north[0].name.as_str(), north[0].months[0]),
            ("Jun before", (-1, 6))
        );
        assert_eq!(
            (north[7].name.as_str(), north[7].months[0]),
            ("Jan", (0, 1))
        );
        assert_eq!(north[15].months[0], (0, 9));
        assert_eq!(north[18].months, [(-1, 12), (0, 1), (0, 2)]);
        let south = windows(Hemisphere::South);
        assert_eq!(
            (south[0].name.as_str(), south[0].months[0]),
            ("Dec before", (-1, 12))
        );
        assert_eq!(
            (south[15].name.as_str(), south[15].months[0]),
            ("Mar after", (1, 3))
        );
        // The summer in which the ring of the year grows begins in its December.
        assert_eq!(south[20].months, [(0, 12), (1, 1), (1, 2)]);
    }
}
