//! The order of elements and the words of the Tree-Ring Data Standard 1.2.2, for tests of what is
//! written in it.

/// Order of the parts inside each element and the standard's words, as facts 5.2 gives them.
const ORDER: [(&str, &[&str]); 11] = [
    ("tridas", &["project", "vocabulary"]),
    (
        "project",
        &[
            "title",
            "identifier",
            "createdTimestamp",
            "lastModifiedTimestamp",
            "comments",
            "type",
            "description",
            "file",
            "laboratory",
            "category",
            "investigator",
            "period",
            "object",
        ],
    ),
    (
        "object",
        &[
            "title",
            "identifier",
            "createdTimestamp",
            "lastModifiedTimestamp",
            "comments",
            "type",
            "description",
            "linkSeries",
            "file",
            "creator",
            "owner",
            "coverage",
            "location",
            "genericField",
            "object",
            "element",
        ],
    ),
    (
        "element",
        &[
            "title",
            "identifier",
            "createdTimestamp",
            "lastModifiedTimestamp",
            "comments",
            "type",
            "description",
            "linkSeries",
            "file",
            "taxon",
            "shape",
            "dimensions",
            "authenticity",
            "location",
            "processing",
            "marks",
            "altitude",
            "slope",
            "soil",
            "bedrock",
            "genericField",
            "sample",
        ],
    ),
    (
        "sample",
        &[
            "title",
            "identifier",
            "createdTimestamp",
            "lastModifiedTimestamp",
            "comments",
            "type",
            "description",
            "file",
            "samplingDate",
            "position",
            "state",
            "knots",
            "genericField",
            "radius",
        ],
    ),
    (
        "radius",
        &[
            "title",
            "identifier",
            "createdTimestamp",
            "lastModifiedTimestamp",
            "comments",
            "woodCompleteness",
            "azimuth",
            "genericField",
            "measurementSeries",
        ],
    ),
    (
        "measurementSeries",
        &[
            "title",
            "identifier",
            "createdTimestamp",
            "lastModifiedTimestamp",
            "comments",
            "measuringDate",
            "woodCompleteness",
            "analyst",
            "dendrochronologist",
            "measuringMethod",
            "interpretation",
            "genericField",
            "values",
        ],
    ),
    (
        "woodCompleteness",
        &[
            "ringCount",
            "averageRingWidth",
            "nrOfUnmeasuredInnerRings",
            "nrOfUnmeasuredOuterRings",
            "pith",
            "heartwood",
            "sapwood",
            "bark",
        ],
    ),
    (
        "interpretation",
        &[
            "dating",
            "firstYear",
            "lastYear",
            "datingReference",
            "statFoundation",
            "pithYear",
            "deathYear",
            "provenance",
        ],
    ),
    ("values", &["variable", "unit", "unitless", "value"]),
    ("value", &["remark"]),
];

/// What may not be missing.
const NEEDED: [(&str, &[&str]); 8] = [
    (
        "project",
        &[
            "title",
            "type",
            "laboratory",
            "category",
            "investigator",
            "period",
        ],
    ),
    ("object", &["title", "type"]),
    ("element", &["title", "taxon"]),
    ("sample", &["title", "type"]),
    ("radius", &["title"]),
    ("measurementSeries", &["title", "measuringMethod"]),
    (
        "woodCompleteness",
        &["pith", "heartwood", "sapwood", "bark"],
    ),
    ("values", &["variable", "unit"]),
];

const WORDS: [(&str, &str, &[&str]); 8] = [
    (
        "unit",
        "normalTridas",
        &[
            "micrometres",
            "1/100th millimetres",
            "1/50th millimetres",
            "1/20th millimetres",
            "1/10th millimetres",
            "millimetres",
            "centimetres",
            "metres",
        ],
    ),
    ("variable", "normalTridas", &["ring width"]),
    (
        "measuringMethod",
        "normalTridas",
        &[
            "measuring platform",
            "hand lens and graticule",
            "onscreen measuring",
            "visual estimate",
        ],
    ),
    ("remark", "normalTridas", &["missing ring"]),
    (
        "pith",
        "presence",
        &[
            "unknown",
            "not applicable",
            "absent",
            "complete",
            "incomplete",
        ],
    ),
    ("bark", "presence", &["present", "absent", "unknown"]),
    ("firstYear", "suffix", &["AD", "BC", "BP", "relative"]),
    ("lastYear", "suffix", &["AD", "BC", "BP", "relative"]),
];

/// Panics where a document breaks the order, lacks a part or uses a word that the standard hasn't.
pub(crate) fn in_order(text: &str) {
    use quick_xml::events::Event;
    let mut reader = quick_xml::Reader::from_str(text);
    reader.config_mut().expand_empty_elements = true;
    let mut stack: Vec<(String, Vec<String>)> = Vec::new();
    loop {
        match reader.read_event().expect("well-formed") {
            Event::Start(tag) => {
                let name = tag.local_name().as_ref().to_owned();
                if let Some((parent, before)) = stack.last_mut() {
                    if let Some((_, order)) = ORDER.iter().find(|(p, _)| p == parent) {
                        let place = |n: &str| order.iter().position(|o| *o == n);
                        let at = place(&name).unwrap_or_else(|| panic!("<{name}> in <{parent}>"));
                        let last = before.last().and_then(|n| place(n)).unwrap_or(0);
                        assert!(at >= last, "<{name}> behind <{}>", order[last]);
                    }
                    before.push(name.clone());
                } else {
                    assert_eq!(name, "tridas");
                    let space = tag.try_get_attribute("xmlns").unwrap().unwrap();
                    assert_eq!(space.value.as_ref(), "http://www.tridas.org/1.2.2");
                }
                for &(_, key, words) in WORDS.iter().filter(|(of, ..)| *of == name) {
                    if let Some(word) = tag.try_get_attribute(key).unwrap() {
                        assert!(words.contains(&word.value.as_ref()), "{word:?} in <{name}>");
                    }
                }
                stack.push((name, Vec::new()));
            }
            Event::End(_) => {
                let (name, parts) = stack.pop().unwrap();
                if let Some((_, needed)) = NEEDED.iter().find(|(of, _)| *of == name) {
                    for part in *needed {
                        assert!(parts.iter().any(|p| p == part), "<{name}> without <{part}>");
                    }
                }
            }
            Event::Eof => return,
            _ => {}
        }
    }
}
