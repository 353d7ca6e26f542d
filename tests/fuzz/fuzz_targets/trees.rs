//! Any bytes as a table of trees: refused with a sentence that names the file, or specimens that each
//! have a tree.
#![no_main]

use endgrain::chronology::source::parse_trees;
use libfuzzer_sys::fuzz_target;
use std::path::Path;

fuzz_target!(|bytes: &[u8]| {
    match parse_trees(bytes, Path::new("trees.csv")) {
        Ok(trees) => assert!(trees.iter().all(|(a, b)| !a.is_empty() && !b.is_empty())),
        Err(refused) => assert!(refused.to_string().starts_with("trees.csv"), "{refused}"),
    }
});
