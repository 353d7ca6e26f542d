//! Two counts of one disc against each other: hands, readings, and whole folders by two sheets.

mod hand_made;

use endgrain::demo::Truth;
use endgrain::hand_count::two_counts;
use endgrain::reading::Reading;
use hand_made::{even_rings, program};
use std::path::Path;

/// Sixty even rings of which three between 20 and 30 are lost.
fn without_three_rings() -> Reading {
    let mut poor = even_rings(60, 10.0, 1.0);
    poor.rings.retain(|ring| !(24..27).contains(&ring.number));
    for (ring, number) in poor.rings.iter_mut().zip(1..) {
        ring.number = number;
    }
    poor.age.rings = 57;
    poor
}

/// Two readings of one disc, one with three rings lost between 20 and 30.
#[test]
fn two_readings_part_where_one_lost_rings() {
    let whole = even_rings(60, 10.0, 1.0);
    let poor = without_three_rings();
    let two = two_counts::of_readings(&whole, &poor, 10).expect("both counted");
    let parts: Vec<_> = two.stretches.iter().filter(|s| s.parts()).collect();
    assert_eq!(parts.len(), 1);
    assert_eq!((parts[0].from_ring, parts[0].to_ring), (20, 30));
    assert!((parts[0].difference.unwrap() - 3.0).abs() < 1e-9);
    // The same disc at half the size in another photo.
    let mut far = even_rings(60, 5.0, 2.0);
    far.photo.sha256 = "1".repeat(64);
    let two = two_counts::of_readings(&whole, &far, 10).expect("both counted");
    assert!(two.stretches.iter().all(|s| !s.parts()), "{two:?}");
}

/// Two hands on one photo: the page has both, and a picture of the stretch in which they part.
#[test]
fn two_hand_counts_get_a_page_with_pictures() {
    let text = std::fs::read("fixtures/yard/clean_conifer_QB-0001.json").expect("a truth");
    let truth: Truth = serde_json::from_slice(&text).expect("a truth");
    let [px, py] = truth.pith.expect("a pith");
    let folder = tempfile::tempdir().expect("a folder");
    let (sin, cos) = 20_f64.to_radians().sin_cos();
    // The second skipped a ring between 10 and 15.
    for (name, skips) in [("reed.csv", 0), ("moss.csv", 1)] {
        let mut csv = String::from("ring,x_px,y_px\n");
        for number in (5..25).step_by(5) {
            let ring = if number > 10 { number + skips } else { number };
            let radius = truth.boundaries[ring - 1][20].expect("in the photo");
            let (x, y) = (px + radius * cos, py + radius * sin);
            csv.push_str(&format!("{number},{x:.1},{y:.1}\n"));
        }
        std::fs::write(folder.path().join(name), csv).expect("written");
    }
    let path = |name: &str| folder.path().join(name).to_string_lossy().into_owned();
    let (status, said, err) = program(
        &[
            "double-check",
            "fixtures/yard/clean_conifer_QB-0001.jpg",
            "--total",
            "26",
            "--marks",
            &path("reed.csv"),
            "--counted-by",
            "A. Reed <b>",
            "--against-total",
            "25",
            "--against-marks",
            &path("moss.csv"),
            "--strict",
            "--out",
            &path("two"),
        ],
        Path::new("."),
    );
    assert_eq!(status, 1, "{err}");
    let parting = "between 10 and 15 the first count has 5 rings, the second 4.";
    assert!(
        said.contains("the totals are 26 and 25") && said.contains(parting),
        "{said}"
    );
    let at = |ending: &str| {
        folder
            .path()
            .join(format!("two/clean_conifer_QB-0001.{ending}"))
    };
    let page = std::fs::read_to_string(at("two-counts.html")).expect("a page");
    assert!(page.contains("data:image/jpeg;base64,") && page.contains(parting));
    assert!(page.contains("A. Reed &lt;b&gt;") && page.contains("moss.csv"));
    assert!(page.contains("they part") && page.contains("an arborist decides"));
    assert!(
        image::open(at("stretch-10-15.jpg"))
            .expect("a picture")
            .width()
            > 700
    );
    let record = std::fs::read(at("two-counts.json")).expect("a record");
    let record: serde_json::Value = serde_json::from_slice(&record).expect("JSON");
    assert_eq!(record["schema"], "endgrain.two-counts/1");
    assert_eq!(record["first"]["name"], "A. Reed <b>");
    assert_eq!(
        record["first"]["photo"]["file"],
        "clean_conifer_QB-0001.jpg"
    );
}

/// Two readings: the same page; with no photo at hand without pictures.
#[test]
fn two_readings_get_a_page() {
    let folder = tempfile::tempdir().expect("a folder");
    let whole = even_rings(60, 10.0, 1.0);
    let poor = without_three_rings();
    for (name, reading) in [("a.rings.json", &whole), ("b.rings.json", &poor)] {
        let json = serde_json::to_vec(reading).expect("JSON");
        std::fs::write(folder.path().join(name), json).expect("written");
    }
    let args = [
        "double-check",
        "a.rings.json",
        "--against",
        "b.rings.json",
        "--out",
        "two",
    ];
    let (status, said, err) = program(&args, folder.path());
    assert_eq!(status, 0, "{err}");
    let parting = "between 20 and 30 the first count has 10 rings, the second 7.0";
    assert!(said.contains(parting), "{said}");
    let page = std::fs::read_to_string(folder.path().join("two/a.two-counts.html"));
    let page = page.expect("a page");
    assert!(page.contains(parting) && page.contains("QB-0042.jpg"));
    assert!(page.contains("read by endgrain 0") && !page.contains("<img"));
    assert!(folder.path().join("two/a.two-counts.json").is_file());
}

/// Two sheets in a folder of their own, and what the command says of them.
fn two_sheets(files: &[(&str, &str)], args: &[&str]) -> (tempfile::TempDir, i32, String, String) {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, text) in files {
        std::fs::write(folder.path().join(name), text).expect("written");
    }
    let given = [
        "double-check",
        "--sheet",
        "reed.csv",
        "--against",
        "moss.csv",
    ];
    let (status, out, err) = program(&[&given[..], args].concat(), folder.path());
    (folder, status, out, err)
}

/// The example of Bland and Altman 1986: peak flow of 17 people by two meters, in place of rings (data
/// from memory, as in `hand_count::agreement`). The paper has the mean difference -2.1 and sd 38.8;
/// by hand limits -2.118 -/+ 1.96 x 38.765 = -78.10 and +73.86, standard errors 38.765 / sqrt(17) =
/// 9.40 and 38.765 x sqrt(3 / 17) = 16.28. Worst are 178 and 259.
#[test]
fn two_sheets_have_the_limits_of_agreement_of_the_paper() {
    let large = [
        494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427,
    ];
    let mini = [
        512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451,
    ];
    let sheet = |totals: &[u32]| {
        let row = |(i, total): (usize, &u32)| format!("log-{i:02}.jpg,{total}\n");
        let rows: String = totals.iter().enumerate().map(row).collect();
        format!("photo,total\n{rows}")
    };
    let (first, second) = (sheet(&large), sheet(&mini));
    let files = [("reed.csv", first.as_str()), ("moss.csv", second.as_str())];
    let (folder, status, out, err) = two_sheets(&files, &["--out", "two"]);
    assert_eq!(status, 0, "{err}");
    assert!(err.contains("17 of 17 compared"), "{err}");
    let totals = "mean difference -2.12 (standard error 9.40), sd 38.77; 95 % limits of agreement -78.10 to +73.86 (standard error 16.28)";
    assert!(out.contains(totals), "{out}");
    let at = |name: &str| std::fs::read_to_string(folder.path().join("two").join(name));
    let page = at("two-counts.html").expect("a page");
    assert!(page.contains(totals) && page.contains("<svg") && page.contains("reed.csv"));
    let svg = at("two-counts-agreement.svg").expect("a plot");
    assert_eq!(svg.matches("<circle").count(), 17);
    let table = at("two-counts.csv").expect("a table");
    let first: Vec<&str> = table.lines().nth(1).expect("a row").split(',').collect();
    assert_eq!(first[..4], ["log-14.jpg", "178", "259", "-81"]);
    let off = |line: &str| line.split(',').nth(3).expect("a cell").parse::<i32>();
    let off: Vec<i32> = table
        .lines()
        .skip(1)
        .map(|l| off(l).expect("a number").abs())
        .collect();
    assert!(
        off.len() == 17 && off.is_sorted_by(|a, b| a >= b),
        "{off:?}"
    );
}

/// By hand, from marks as lengths alone. QB-2: the second's ring 20 lies at 66 mm, so that 60 mm is its
/// 10 + 10 x 20 / 26 = 17.69, 2.31 fewer than the first's 20; at 80 mm both have 30. QB-3: the same
/// totals, but 5 rings to the first's mark at 20 mm are 6 of the second, and one fewer follow: they
/// part all the same. QB-4: marks agree to 40 mm, and from there 20 and 17 rings are left to the bark.
#[test]
fn discs_marked_in_both_sheets_say_where_they_part() {
    let files = [
        (
            "reed.csv",
            "photo,total,counted_by,counted_on\nQB-1.jpg,40,Reed,May\nQB-2.jpg,40,Reed,May\nQB-3.jpg,12,Reed,May\nQB-4.jpg,30,Reed,May\nQB-5.jpg,,Reed,May\n",
        ),
        (
            "moss.csv",
            "photo,total,counted_by\nQB-5.jpg,9,Moss\nQB-4.jpg,27,Moss\nQB-3.jpg,12,Moss\nQB-2.jpg,40,Moss\nQB-1.jpg,40,Moss\n",
        ),
        (
            "ma.csv",
            "photo,ring,distance_mm\nQB-2.jpg,10,40\nQB-2.jpg,20,60\nQB-2.jpg,30,80\nQB-3.jpg,5,20\nQB-3.jpg,10,40\nQB-4.jpg,10,40\n",
        ),
        (
            "mb.csv",
            "photo,ring,diameter\nQB-2.jpg,10,8cm\nQB-2.jpg,20,132mm\nQB-2.jpg,30,160mm\nQB-3.jpg,6,40mm\nQB-3.jpg,10,80mm\nQB-4.jpg,10,80mm\n",
        ),
    ];
    let marks = ["--marks", "ma.csv", "--against-marks", "mb.csv"];
    let args = [&marks[..], &["--out", "two"]].concat();
    let (folder, status, out, err) = two_sheets(&files, &args);
    assert_eq!(status, 0, "{err}");
    let table = std::fs::read_to_string(folder.path().join("two/two-counts.csv")).expect("a table");
    let rows: Vec<&str> = table.lines().skip(1).collect();
    for (row, start) in rows.iter().zip([
        "QB-4.jpg,30,27,3,they part,10-bark,20,17.0,Reed,May,Moss,,",
        "QB-2.jpg,40,40,0,they part,10-20,10,7.7,Reed,May,Moss,,",
        "QB-3.jpg,12,12,0,they part,pith-5,5,6.0,Reed,May,Moss,,",
        "QB-1.jpg,40,40,0,they agree,,,,Reed,May,Moss,,",
        "QB-5.jpg,,9,,not compared,,,,Reed,May,Moss,,",
    ]) {
        assert!(row.starts_with(start), "{row}");
    }
    assert_eq!(rows.len(), 5);
    assert!(
        out.contains("in 10-20: 10 and 7.7 rings; 20-30: 10 and 12.3 rings"),
        "{out}"
    );
    assert!(out.contains("4 discs with both counts"), "{out}");
    let record = std::fs::read(folder.path().join("two/QB-2.two-counts.json")).expect("a record");
    let record: serde_json::Value = serde_json::from_slice(&record).expect("JSON");
    assert_eq!(record["outcome"], "part");
    assert_eq!(record["first"]["marks"][1]["distance_mm"], 60.0);
    assert_eq!(record["second"]["marks"][1]["diameter_mm"], 132.0);
    let said = "between 10 and 20 the first count has 10 rings, the second 7.7";
    assert_eq!(record["sentences"][1], said);
    let page = std::fs::read_to_string(folder.path().join("two/QB-2.two-counts.html"));
    assert!(page.expect("a page").contains(said));
    // The same, one record a line, and a status for those that part.
    let args = [&marks[..], &["--json", "--strict"]].concat();
    let (_, status, out, err) = two_sheets(&files, &args);
    assert_eq!((status, err.as_str()), (1, ""));
    let outcome = |line: &str| -> String {
        let record: serde_json::Value = serde_json::from_str(line).expect("JSON");
        record["outcome"].as_str().expect("a word").to_owned()
    };
    let outcomes: Vec<String> = out.lines().map(outcome).collect();
    assert_eq!(outcomes, ["agree", "part", "part", "part", "not-compared"]);
}

/// Whatever is wrong in sheets and marks is told with its line, and the rest is done.
#[test]
fn bad_sheets_are_told_line_by_line_and_the_rest_is_compared() {
    let files = [
        (
            "reed.csv",
            "photo,total,counted\nQB-1.jpg,40,x\nonly-reed.jpg,9\nQB-2.jpg,30\nQB-1.jpg,41\nQB-3.jpg,20\n",
        ),
        (
            "moss.csv",
            "photo,total\nQB-1.jpg,42\nQB-2.jpg,0\nonly-moss.jpg,7\nQB-3.jpg,20\n",
        ),
        (
            "ma.csv",
            "photo,ring,distance_mm\nQB-1.jpg,10,20\nQB-1.jpg,20,15\nQB-9.jpg,5,9\n,5,9\nQB-1.jpg,30,60\nQB-1.jpg,50,90\n",
        ),
        (
            "mb.csv",
            "photo,ring,distance_mm,x_px,y_px\nQB-1.jpg,10,20,,\nQB-1.jpg,12,,9,9\nQB-1.jpg,31,60,,\n",
        ),
    ];
    let args = [
        "--marks",
        "ma.csv",
        "--against-marks",
        "mb.csv",
        "--out",
        "two",
    ];
    let (folder, status, out, err) = two_sheets(&files, &args);
    assert_eq!(status, 1, "{err}");
    for words in [
        "reed.csv, line 1: the column \"counted\" isn't known",
        "reed.csv, line 5: QB-1.jpg a second time",
        "moss.csv, line 3: \"0\" is no total",
        "reed.csv, line 3: only-reed.jpg isn't in moss.csv",
        "moss.csv, line 4: only-moss.jpg isn't in reed.csv",
        "reed.csv, line 4: QB-2.jpg has a row in moss.csv that can't be used",
        "ma.csv, line 3: ring 20 lies no farther from the pith than ring 10",
        "ma.csv, line 4: a mark of \"QB-9.jpg\"",
        "ma.csv, line 5: a mark without a photo",
        "ma.csv, line 7: ring 50 of a disc whose total is 40",
        "mb.csv, line 3: a mark as a point, but no photo to find the pith in",
        "2 of 5 compared",
    ] {
        assert!(err.contains(words), "{words}\n{err}");
    }
    // QB-1: 20 rings between 20 and 60 mm, and 21 by the second: 1 of the 2 that the totals differ by.
    assert!(
        out.contains("in 10-30: 20 and 21.0 rings; 30-bark: 10 and 11.0 rings"),
        "{out}"
    );
    let table = std::fs::read_to_string(folder.path().join("two/two-counts.csv")).expect("a table");
    let photos: Vec<_> = table
        .lines()
        .skip(1)
        .filter_map(|l| l.split(',').next())
        .collect();
    let order = [
        "QB-1.jpg",
        "QB-3.jpg",
        "QB-2.jpg",
        "only-moss.jpg",
        "only-reed.jpg",
    ];
    assert_eq!(photos, order);
    // A sheet without photos is refused as a whole.
    let (_, status, _, err) = two_sheets(&[("reed.csv", "total\n9\n"), files[1]], &[]);
    assert!(
        status == 1 && err.contains("reed.csv, line 1: no column \"photo\""),
        "{err}"
    );
}

/// An off-centre disc on which the two counted along opposite lines: each finds its marks at its own
/// distances, and the rings of the reading carry them over. By hand: to the right ring n lies 8 n px
/// from the pith, to the left 12 n px; the second's marks 15 and 25 stand on rings 16 and 26, so that
/// between 10 and 20 the first has 10 rings and the second 19 - 10 = 9.
#[test]
fn marks_on_two_lines_are_carried_over_by_the_reading() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut reading = even_rings(40, 10.0, 1.0);
    let off_centre = |level: &mut Vec<Option<f64>>| {
        let azimuths = level.len() as f64;
        for (i, radius) in level.iter_mut().enumerate() {
            let turn = (i as f64 / azimuths * std::f64::consts::TAU).cos();
            *radius = radius.map(|px| px * (1.0 - 0.2 * turn));
        }
    };
    off_centre(&mut reading.outline.radius_px);
    for ring in &mut reading.rings {
        off_centre(&mut ring.radius_px);
    }
    let json = serde_json::to_vec(&reading).expect("JSON");
    std::fs::write(folder.path().join("QB-1.rings.json"), json).expect("written");
    let marks = |rows: &[(u32, f64)]| {
        let row = |(ring, x): &(u32, f64)| format!("QB-1.rings.json,{ring},{x},1000\n");
        let rows: String = rows.iter().map(row).collect();
        format!("photo,ring,x_px,y_px\n{rows}")
    };
    let right = [(10, 1080.0), (20, 1160.0), (30, 1240.0)];
    let left = [(10, 880.0), (15, 808.0), (25, 688.0), (29, 640.0)];
    for (name, text) in [
        (
            "reed.csv",
            "photo,total\nQB-1.rings.json,40\ngone.jpg,12\n".to_owned(),
        ),
        (
            "moss.csv",
            "photo,total\nQB-1.rings.json,39\ngone.jpg,12\n".to_owned(),
        ),
        ("ma.csv", marks(&right)),
        ("mb.csv", marks(&left)),
    ] {
        std::fs::write(folder.path().join(name), text).expect("written");
    }
    let args = [
        "double-check",
        ".",
        "--sheet",
        "reed.csv",
        "--against",
        "moss.csv",
        "--marks",
        "ma.csv",
        "--against-marks",
        "mb.csv",
        "--out",
        "two",
    ];
    let (status, out, err) = program(&args, folder.path());
    // The photo that isn't there is told of; its totals are compared all the same.
    assert_eq!(status, 1, "{err}");
    assert!(
        err.contains("reed.csv, line 3: ./gone.jpg isn't there"),
        "{err}"
    );
    assert!(err.contains("2 of 2 compared"), "{err}");
    let row = |photo: &str| {
        out.lines()
            .find(|line| line.starts_with(photo))
            .expect("a row")
    };
    assert!(
        row("QB-1").ends_with("they part   in 10-20: 10 and 9.0 rings"),
        "{out}"
    );
    assert!(row("gone.jpg").ends_with("they agree  -"), "{out}");
    let record = std::fs::read(folder.path().join("two/QB-1.two-counts.json")).expect("a record");
    let record: serde_json::Value = serde_json::from_slice(&record).expect("JSON");
    assert_eq!(record["first"]["photo"]["sha256"], "0".repeat(64));
    let difference = |i: usize| {
        record["stretches"][i]["difference"]
            .as_f64()
            .expect("a number")
    };
    for (i, want) in [0.0, 1.0, 0.0, 0.0].into_iter().enumerate() {
        assert!(
            (difference(i) - want).abs() < 0.01,
            "{i}: {}",
            difference(i)
        );
    }
}

#[test]
fn what_two_sheets_cant_take_is_told_with_status_two() {
    for (args, words) in [
        (
            &["--against-total", "9"][..],
            "--sheet has the totals itself",
        ),
        (&["--find-marks"][..], "leave out --find-marks"),
    ] {
        let (_, status, _, err) = two_sheets(&[], args);
        assert!(status == 2 && err.contains(words), "{err}");
    }
    let args = [
        "double-check",
        "--sheet",
        "a.csv",
        "--against-marks",
        "b.csv",
    ];
    let (status, _, err) = program(&args, Path::new("."));
    assert!(
        status == 2 && err.contains("give it with --against"),
        "{err}"
    );
}
