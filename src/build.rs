//! Tells the program which sources it was built of: what a run record (`src/batch/record.rs`) holds
//! against a reading to know whether the program has changed since. The version alone would not do:
//! between two releases it stays while readings change.

use std::path::{Path, PathBuf};
use std::{env, fs};

/// FNV-1a, 64 bits: small, the same on every machine and with every compiler. Not a guard against
/// ill will, and none is needed here. Source: IETF draft-eastlake-fnv, constants from memory.
fn fnv(bytes: &[u8], start: u64) -> u64 {
    bytes.iter().fold(start, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

fn files_below(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            files_below(&path, files);
        } else {
            files.push(path);
        }
    }
}

fn main() {
    let root = PathBuf::from(env::var_os("CARGO_MANIFEST_DIR").unwrap_or_default());
    let mut files = vec![root.join("Cargo.toml"), root.join("Cargo.lock")];
    files_below(&root.join("src"), &mut files);
    files.sort();
    let mut hash = 0xcbf2_9ce4_8422_2325;
    for file in files {
        let below = file.strip_prefix(&root).unwrap_or(&file);
        hash = fnv(below.to_string_lossy().replace('\\', "/").as_bytes(), hash);
        hash = fnv(&fs::read(&file).unwrap_or_default(), hash);
    }
    println!("cargo::rustc-env=ENDGRAIN_BUILD={hash:016x}");
    for path in ["src", "Cargo.toml", "Cargo.lock"] {
        println!("cargo::rerun-if-changed={path}");
    }
}
