//! Practice discs: the truth that they claim is what they show.

use endgrain::demo::{self, Order, Suite};

/// Writes a set when asked for: `ENDGRAIN_DEMO_DIR` (folder), `ENDGRAIN_DEMO_COUNT` (photos),
/// `ENDGRAIN_DEMO_SEED`, `ENDGRAIN_DEMO_SUITE` (one suite's name; else all in turn),
/// `ENDGRAIN_DEMO_MEGAPIXELS`.
#[test]
fn a_set_is_written_where_the_environment_asks_for_one() {
    let Ok(folder) = std::env::var("ENDGRAIN_DEMO_DIR") else {
        eprintln!("skipped: ENDGRAIN_DEMO_DIR is not set");
        return;
    };
    let number = |name: &str, otherwise: u64| {
        std::env::var(name).map_or(otherwise, |text| text.parse().expect("a whole number"))
    };
    let suites = std::env::var("ENDGRAIN_DEMO_SUITE").map_or(Suite::ALL.to_vec(), |name| {
        vec![Suite::of_name(&name).expect("the name of a suite")]
    });
    let order = Order {
        count: number("ENDGRAIN_DEMO_COUNT", suites.len() as u64),
        seed: number("ENDGRAIN_DEMO_SEED", 1),
        suites,
        megapixels: std::env::var("ENDGRAIN_DEMO_MEGAPIXELS")
            .ok()
            .map(|text| text.parse().expect("megapixels")),
    };
    let start = std::time::Instant::now();
    let list = demo::write(folder.as_ref(), &order, |_| {}).expect("the folder takes files");
    eprintln!(
        "{} photos in {:.1} s",
        list.len(),
        start.elapsed().as_secs_f64()
    );
    assert_eq!(list.len() as u64, order.count);
}
