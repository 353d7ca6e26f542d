//! Any bytes as a weather table: refused with a sentence that names the file, or a table whose gaps can
//! be told and whose every value is a number.
#![no_main]

use endgrain::weather::Weather;
use libfuzzer_sys::fuzz_target;
use std::path::Path;

fuzz_target!(|bytes: &[u8]| {
    match Weather::parse(bytes, Path::new("rain.csv")) {
        Ok(weather) => {
            assert!(weather.gaps_in_words().len() <= weather.columns.len());
            for column in 0..weather.columns.len() {
                for year in [i32::MIN, -1, 0, 1950, i32::MAX] {
                    for month in 0..=13 {
                        let value = weather.value(column, year, month);
                        assert!(value.is_none_or(f64::is_finite));
                    }
                }
            }
        }
        Err(refused) => assert!(refused.to_string().starts_with("rain.csv"), "{refused}"),
    }
});
