//! A series: ring widths of one radius, disc or tree, one value a year.
//!
//! Years are counted astronomically (1 BC is year 0, 2 BC is -1), so that the difference of two
//! years is the number of years between them.

use serde::{Deserialize, Serialize};

/// Ring widths in the order of the years.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Series {
    /// Name of the radius, disc or tree.
    pub name: String,
    /// Year of the first value, astronomical.
    pub first_year: i32,
    /// Width of each year's ring, mm (px only where whoever holds the series says so). Zero: the ring is
    /// absent there. `None`: not known.
    pub widths_mm: Vec<Option<f64>>,
}

impl Series {
    /// Year of the last value; none where there are no values.
    pub fn last_year(&self) -> Option<i32> {
        let last = i32::try_from(self.widths_mm.len()).ok()?.checked_sub(1)?;
        (last >= 0).then(|| self.first_year.saturating_add(last))
    }

    /// Width in a year, mm; none outside the series or where it is not known.
    pub fn width_mm(&self, year: i32) -> Option<f64> {
        let at = usize::try_from(year.checked_sub(self.first_year)?).ok()?;
        self.widths_mm.get(at).copied().flatten()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn years_run_over_the_turn_of_the_era_without_a_gap() {
        // T-1.6: five rings from the astronomical year -3 (4 BC) end in AD 1.
        let series = Series {
            name: "disc".into(),
            first_year: -3,
            widths_mm: vec![Some(1.0), None, Some(0.0), Some(2.0), Some(3.0)],
        };
        assert_eq!(series.last_year(), Some(1));
        assert_eq!(series.width_mm(1), Some(3.0));
        assert_eq!(series.width_mm(-2), None);
        assert_eq!(series.width_mm(2), None);
    }
}
