//! What a dataset is to hold: every reading with its row of the sheet, its name and its place in the
//! order, told before the first boundary is looked at.

use super::sheet::{Row, Sheet};
use super::sources::{Entry, Key, region_text, sha256};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// One specimen to be.
#[derive(Debug, Clone)]
pub(super) struct Planned {
    pub(super) name: String,
    pub(super) tree: String,
    pub(super) row: Row,
    pub(super) entry: Entry,
    /// Beginning of the names of its series in decadal text, at most [`CODE`] signs, its own.
    pub(super) code: String,
}

/// Signs of a specimen's name in decadal text: with two for the radius seven, which leaves room for
/// years before -999.
const CODE: usize = 5;

/// Gives each reading its row, name and place; remarks tell of rows that fit no reading or several.
pub(super) fn plan(
    entries: &BTreeMap<Key, Entry>,
    sheet: &Sheet,
    remarks: &mut Vec<String>,
) -> Vec<Planned> {
    let rows = rows_of(entries, sheet, remarks);
    let names = names(entries, &rows);
    let mut planned: Vec<Planned> = entries
        .iter()
        .zip(names)
        .map(|((key, entry), name)| {
            let row = rows
                .get(key)
                .map_or_else(Row::default, |row| (*row).clone());
            let tree = if row.tree.is_empty() {
                name.clone()
            } else {
                row.tree.clone()
            };
            Planned {
                name,
                tree,
                row,
                entry: entry.clone(),
                code: String::new(),
            }
        })
        .collect();
    planned.sort_by(|a, b| order(a).cmp(&order(b)));
    code(&mut planned);
    planned
}

fn order(planned: &Planned) -> (&str, &str, &str) {
    (planned.row.cell("place"), &planned.tree, &planned.name)
}

/// The row of each reading: by the photo's SHA-256 where a row has it, else by its file name.
fn rows_of<'a>(
    entries: &BTreeMap<Key, Entry>,
    sheet: &'a Sheet,
    remarks: &mut Vec<String>,
) -> HashMap<Key, &'a Row> {
    let mut by_file: HashMap<&str, Vec<&Key>> = HashMap::new();
    for (key, entry) in entries {
        by_file.entry(&entry.photo).or_default().push(key);
    }
    let mut rows: HashMap<Key, &Row> = HashMap::new();
    let mut without = Vec::new();
    for row in &sheet.rows {
        let region = row.region_px.as_ref().map_or(String::new(), region_text);
        let key = if row.photo_sha256.is_empty() {
            let list = by_file.get(row.file()).map_or(&[][..], Vec::as_slice);
            let fitting: Vec<&&Key> = list.iter().filter(|key| key.region == region).collect();
            match fitting.as_slice() {
                [one] => Some((**one).clone()),
                [] => None,
                several => {
                    remarks.push(format!(
                        "sheet: {} different photos are called {}; fill in photo_sha256 in its row",
                        several.len(),
                        row.file()
                    ));
                    continue;
                }
            }
        } else {
            let key = Key {
                photo_sha256: row.photo_sha256.clone(),
                region,
            };
            entries.contains_key(&key).then_some(key)
        };
        let Some(key) = key else {
            without.push(row.photo.as_str());
            continue;
        };
        if let Some(before) = rows.insert(key, row) {
            remarks.push(format!(
                "sheet: {} and {} are rows of one photo; the later is taken",
                before.photo, row.photo
            ));
        }
    }
    if let [first, rest @ ..] = without.as_slice() {
        let more = if rest.is_empty() {
            String::new()
        } else {
            format!(" and {} more", rest.len())
        };
        remarks.push(format!("sheet: no reading yet of {first}{more}"));
    }
    rows
}

/// Names of the specimens, all different, in the order of the entries: the sheet's disc, else the
/// photo's name, with the beginning of its hash where photos share a name.
fn names(entries: &BTreeMap<Key, Entry>, rows: &HashMap<Key, &Row>) -> Vec<String> {
    let disc = |key: &Key| {
        rows.get(key)
            .map(|row| row.disc.as_str())
            .filter(|d| !d.is_empty())
    };
    let stem = |entry: &Entry| match entry.photo.rsplit_once('.') {
        Some((stem, _)) if !stem.is_empty() => stem.to_owned(),
        _ => entry.photo.clone(),
    };
    let mut wishes: HashMap<String, usize> = HashMap::new();
    for (key, entry) in entries {
        let wish = disc(key).map_or_else(|| stem(entry), str::to_owned);
        *wishes.entry(wish).or_default() += 1;
    }
    let mut taken: BTreeSet<String> = BTreeSet::new();
    entries
        .iter()
        .map(|(key, entry)| {
            let wish = disc(key).map_or_else(|| stem(entry), str::to_owned);
            let is_own = wishes[&wish] == 1 || disc(key).is_some();
            if is_own && taken.insert(wish.clone()) {
                return wish;
            }
            // Of two readings of one photo the parts differ.
            let hash = sha256(format!("{} {}", key.photo_sha256, key.region).as_bytes());
            let lengths = (8..=hash.len()).map(|length| format!("{wish}-{}", &hash[..length]));
            let free = |name: &String| !taken.contains(name) && !wishes.contains_key(name);
            let name = lengths.into_iter().find(free).unwrap_or(hash.clone());
            taken.insert(name.clone());
            name
        })
        .collect()
}

/// Gives the specimens their codes: the last letters and digits of the name where they are its own,
/// else drawn from the hash of the name, so that a specimen keeps its code when others come.
fn code(planned: &mut [Planned]) {
    let short = |name: &str| -> String {
        let signs: Vec<char> = name.chars().filter(char::is_ascii_alphanumeric).collect();
        signs[signs.len().saturating_sub(CODE)..]
            .iter()
            .collect::<String>()
            .to_ascii_uppercase()
    };
    let mut wishes: HashMap<String, usize> = HashMap::new();
    for one in planned.iter() {
        *wishes.entry(short(&one.name)).or_default() += 1;
    }
    let mut taken: BTreeSet<String> = BTreeSet::new();
    for one in planned.iter_mut() {
        let wish = short(&one.name);
        if !wish.is_empty() && wishes[&wish] == 1 {
            taken.insert(wish.clone());
            one.code = wish;
        }
    }
    for one in planned.iter_mut().filter(|one| one.code.is_empty()) {
        let drawn = (0_u64..).map(|n| drawn(&one.name, n));
        let free = |code: &String| !taken.contains(code);
        one.code = drawn.into_iter().find(free).unwrap_or_default();
        taken.insert(one.code.clone());
    }
}

/// A code drawn from the hash of a name and a number; letters and digits that can't be mistaken.
fn drawn(name: &str, number: u64) -> String {
    const SIGNS: &[u8; 32] = b"ABCDEFGHJKLMNPQRSTUVWXYZ23456789";
    let hash = sha256(format!("{name} {number}").as_bytes());
    hash.as_bytes()
        .chunks(2)
        .take(CODE)
        .map(|pair| {
            let digits = std::str::from_utf8(pair).unwrap_or("0");
            let value = usize::from_str_radix(digits, 16).unwrap_or(0);
            char::from(SIGNS[value % SIGNS.len()])
        })
        .collect()
}

/// Name of a radius in decadal text: the specimen's code and two signs for the radius.
pub(super) fn decadal_name(code: &str, radius: usize) -> String {
    const SIGNS: &[u8; 36] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";
    let sign = |n: usize| char::from(SIGNS[n % SIGNS.len()]);
    if radius < 100 {
        format!("{code}{radius:02}")
    } else {
        // Behind the two-digit numbers come those that begin with a letter: 26 * 36 more.
        let rest = radius - 100;
        format!("{code}{}{}", sign(10 + rest / 36), sign(rest))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_in_decadal_text_are_short_and_differ() {
        let names: BTreeSet<String> = (0..361).map(|i| decadal_name("AB123", i)).collect();
        assert_eq!(names.len(), 361);
        assert!(names.iter().all(|n| n.len() == 7));
        assert!(
            (0..1000)
                .map(|n| drawn("QB-0011", n))
                .collect::<BTreeSet<_>>()
                .len()
                > 990
        );
    }
}
