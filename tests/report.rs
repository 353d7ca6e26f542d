//! Pages of readings, in a real browser: nothing is loaded from elsewhere, hostile names run nothing,
//! hovering names the ring, the print has no cut content. Screenshots go to `target/pages-seen`.

mod browser;

use browser::Browser;
use endgrain::batch::read_and_draw;
use endgrain::notes::{Note, NoteCode};
use endgrain::photo;
use endgrain::reading::{Reading, Scale};
use endgrain::settings::{ScaleGiven, Settings};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Reads a practice photo and writes its reading and overlay into a folder.
fn read_into(folder: &Path, photo_name: &str, settings: &Settings) -> Reading {
    let photo = photo::read(&Path::new("fixtures/yard").join(photo_name), settings).unwrap();
    let outputs = read_and_draw(photo, settings).unwrap();
    let stem = photo_name.trim_end_matches(".jpg");
    put(folder, stem, &outputs.reading);
    fs::write(folder.join(format!("{stem}.overlay.jpg")), outputs.overlay).unwrap();
    outputs.reading
}

fn put(folder: &Path, stem: &str, reading: &Reading) {
    let path = folder.join(format!("{stem}.rings.json"));
    fs::write(path, serde_json::to_vec(reading).unwrap()).unwrap();
}

fn dated() -> Settings {
    Settings {
        last_ring: Some(2023),
        scale: vec![ScaleGiven::DiameterMm(368.0)],
        ..Settings::default()
    }
}

fn report(arguments: &[&str], from: &Path, out: &Path) -> Output {
    let made = Command::new(env!("CARGO_BIN_EXE_endgrain"))
        .arg("report")
        .arg(from)
        .arg("--out")
        .arg(out)
        .args(arguments)
        .output()
        .unwrap();
    eprintln!("{}", String::from_utf8_lossy(&made.stderr));
    made
}

fn seen(name: &str, bytes: &[u8]) {
    fs::create_dir_all("target/pages-seen").unwrap();
    fs::write(Path::new("target/pages-seen").join(name), bytes).unwrap();
}

/// Two discs and their pages.
fn yard() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let readings = folder.path().join("readings");
    fs::create_dir(&readings).unwrap();
    for name in [
        "checks_QB-0011.jpg",
        "clean_conifer_QB-0001.jpg",
        "hollow_QB-0004.jpg",
    ] {
        read_into(&readings, name, &dated());
    }
    let pages = folder.path().join("pages");
    assert!(
        report(&["--charts", "png", "--charts", "svg"], &readings, &pages)
            .status
            .success()
    );
    (folder, pages)
}

#[test]
fn the_browser_sees_what_pages_must_not_do() {
    let Some(mut browser) = Browser::open() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("bad.html");
    fs::write(
        &page,
        "<title>t</title><img src='elsewhere.png'><script>console.error('x'); document.title = 'run'</script>",
    )
    .unwrap();
    browser.go_to(&page);
    assert_eq!(browser.value("document.title"), "run");
    assert!(
        browser
            .requests
            .iter()
            .any(|url| url.ends_with("elsewhere.png"))
    );
    assert!(
        browser
            .trouble
            .iter()
            .any(|line| line.contains("consoleAPICalled"))
    );
}

#[test]
fn pages_load_nothing_and_say_nothing_on_the_console_and_hover_names_the_ring() {
    let (_folder, pages) = yard();
    let Some(mut browser) = Browser::open() else {
        return;
    };
    for name in ["checks_QB-0011.report.html", "index.html"] {
        browser.go_to(&pages.join(name));
        // 2000 px high, so that all of it is in the window.
        browser.resize(1100, 2600);
        for scheme in ["light", "dark"] {
            browser.show_as("screen", scheme);
            let ground = browser.value("getComputedStyle(document.body).backgroundColor");
            let want = if scheme == "light" {
                "rgb(252, 250, 245)"
            } else {
                "rgb(21, 25, 24)"
            };
            assert_eq!(ground, want);
            let picture = browser.screenshot();
            seen(&format!("{name}.{scheme}.png"), &picture);
        }
    }
    let outside: Vec<_> = browser
        .requests
        .iter()
        .filter(|url| {
            !url.starts_with("data:")
                && !url.ends_with(".report.html")
                && !url.ends_with("index.html")
        })
        .collect();
    assert!(outside.is_empty(), "{outside:?}");
    assert!(browser.trouble.is_empty(), "{:?}", browser.trouble);

    browser.go_to(&pages.join("checks_QB-0011.report.html"));
    let place = |browser: &mut Browser, what: &str| -> (f64, f64) {
        let told = browser.value(&format!(
            "(() => {{ const b = document.querySelector('{what}').getBoundingClientRect(); return [b.x + b.width / 2, b.y + b.height / 2] }})()"
        ));
        (told[0].as_f64().unwrap(), told[1].as_f64().unwrap())
    };
    let told = "document.querySelector('.told').textContent";
    assert!(
        browser
            .value(told)
            .as_str()
            .unwrap()
            .starts_with("Point at a ring")
    );
    let (x, y) = place(&mut browser, "#widths .hit[data-ring=\"12\"]");
    browser.point_at(x, y);
    let words = browser.value(told);
    let words = words.as_str().unwrap();
    // 24 rings, the last of 2023: ring 12 is of 2011.
    assert!(
        words.starts_with("ring 12, 20") && words.contains(" mm wide, diameter "),
        "{words}"
    );
    let lit = browser.value("document.querySelectorAll('.hit.on').length");
    assert_eq!(lit, 3, "in the picture and in both charts");

    // The innermost shape at the centre of the picture's pith is ring 1.
    let (x, y) = place(&mut browser, ".picture .hit[data-ring=\"1\"]");
    browser.point_at(x, y);
    let words = browser.value(told);
    assert!(words.as_str().unwrap().starts_with("ring 1,"), "{words}");
    browser.point_at(2.0, 2.0);
    assert!(
        browser
            .value(told)
            .as_str()
            .unwrap()
            .starts_with("Point at a ring")
    );

    // By keyboard.
    browser.value("document.querySelector('#widths').focus()");
    browser.press("ArrowRight", 39);
    browser.press("ArrowRight", 39);
    let words = browser.value(told);
    assert!(words.as_str().unwrap().starts_with("ring 2,"), "{words}");
    assert!(browser.trouble.is_empty(), "{:?}", browser.trouble);
}

#[test]
fn pages_are_complete_without_scripts_and_have_names_for_what_cant_be_seen() {
    let (_folder, pages) = yard();
    let Some(mut browser) = Browser::open() else {
        return;
    };
    for name in ["checks_QB-0011.report.html", "index.html"] {
        browser.call(
            "Emulation.setScriptExecutionDisabled",
            &serde_json::json!({"value": true}),
        );
        browser.go_to(&pages.join(name));
        // The protocol's own expressions still run.
        assert_eq!(browser.value("document.documentElement.lang"), "en");
        assert_eq!(browser.value("document.querySelectorAll('h1').length"), 1);
        for (what, wrong) in [
            (
                "a picture without a text",
                "[...document.images].filter(i => !i.hasAttribute('alt'))",
            ),
            (
                "a chart without a text",
                "[...document.querySelectorAll('svg.chart')].filter(c => (c.getAttribute('aria-label') || '').length < 20)",
            ),
            (
                "a section without its heading",
                "[...document.querySelectorAll('section')].filter(s => !document.getElementById(s.getAttribute('aria-labelledby')))",
            ),
            (
                "an id that comes twice",
                "[...document.querySelectorAll('[id]')].filter(e => document.querySelectorAll('#' + CSS.escape(e.id)).length > 1)",
            ),
            (
                "a column without a heading",
                "[...document.querySelectorAll('table')].filter(t => !t.querySelector('th'))",
            ),
        ] {
            assert_eq!(
                browser.value(&format!("{wrong}.length")),
                0,
                "{what} in {name}"
            );
        }
        if name == "index.html" {
            continue;
        }
        assert_eq!(
            browser.value("document.querySelector('.told').hidden"),
            true
        );
        let rows = browser.value("document.querySelectorAll('details tbody tr').length");
        let rings = browser.value("document.querySelectorAll('.picture .hit title').length");
        assert_eq!(
            rows, rings,
            "every ring is in the table and names itself in the picture"
        );
        assert!(rings.as_u64().unwrap() > 20);
    }
    assert!(browser.trouble.is_empty(), "{:?}", browser.trouble);
}

#[test]
fn prints_have_no_cut_content_on_a4_and_letter() {
    let (_folder, pages) = yard();
    let Some(mut browser) = Browser::open() else {
        return;
    };
    for name in [
        "checks_QB-0011.report.html",
        "hollow_QB-0004.report.html",
        "index.html",
    ] {
        browser.go_to(&pages.join(name));
        browser.show_as("print", "light");
        // Widths between the margins of 12 mm: 186 mm and 191.9 mm at 96 px an inch.
        for (paper, width_px) in [("A4", 703), ("Letter", 725)] {
            browser.resize(width_px, 1000);
            let cut = browser.value(
                "(() => { const w = document.documentElement.clientWidth; return [...document.querySelectorAll('main *')]
                .filter(e => !e.closest('svg') && e.getClientRects().length && (e.getBoundingClientRect().right > w + 1
                 || (e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX !== 'visible')))
                .map(e => e.tagName + '.' + e.className + ' ' + e.textContent.slice(0, 40)) })()",
            );
            assert_eq!(cut.as_array().unwrap().len(), 0, "{name} on {paper}: {cut}");
        }
        assert_eq!(
            browser.value("getComputedStyle(document.querySelector('h2')).breakAfter"),
            "avoid"
        );
        for (paper, width, height) in [("a4", 8.27, 11.69), ("letter", 8.5, 11.0)] {
            let pdf = browser.print(width, height);
            seen(&format!("{name}.{paper}.pdf"), &pdf);
            let text = String::from_utf8_lossy(&pdf);
            let pages = text.matches("/Type /Page\n").count();
            assert!((1..=2).contains(&pages), "{name}: {pages} pages of {paper}");
        }
    }
}

#[test]
fn hostile_names_and_texts_run_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let readings = folder.path().join("readings");
    fs::create_dir(&readings).unwrap();
    let mut reading = read_into(&readings, "clean_conifer_QB-0001.jpg", &dated());
    let stems = [
        "<img src=x onerror=document.title='run'>",
        "javascript:document.title='run'",
        "\"><script>document.title='run'<\u{2215}script>",
        "x' onmouseover='document.title=1",
    ];
    for stem in stems {
        reading.photo.file =
            format!("</title></script><script>document.title='run'</script>{stem}.jpg");
        reading.program.version = "<svg onload=document.title='run'>".into();
        let source = "<script>document.title='run'</script>";
        reading.scale = Some(Scale::even(0.4, source));
        let hostile = "</script></style><script>document.title='run'</script><iframe srcdoc='x'>";
        reading.notes = vec![Note::new(NoteCode::Tilted, hostile)];
        put(&readings, stem, &reading);
    }
    fs::write(
        readings.join("broken<script>.rings.json"),
        "{\"schema\":\"<script>document.title='run'</script>\"}",
    )
    .unwrap();
    let pages = folder.path().join("pages");
    let title = "</title><script>document.title='run'</script>";
    // Columns of a weather table reach the page too.
    let weather = folder.path().join("weather.csv");
    let mut table = String::from("year,month,</title><script>document.title='run'</script>\n");
    for year in 1985..=2023 {
        for month in 1..=12 {
            table.push_str(&format!(
                "{year},{month},{}\n",
                (year * 37 + month * 101) % 83
            ));
        }
    }
    fs::write(&weather, table).unwrap();
    let weather = weather.to_str().unwrap();
    let made = report(&["--title", title, "--weather", weather], &readings, &pages);
    assert_eq!(made.status.code(), Some(1), "one reading is broken");
    let made: Vec<PathBuf> = fs::read_dir(&pages)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    assert_eq!(made.len(), 6, "{made:?}");
    let Some(mut browser) = Browser::open() else {
        return;
    };
    for page in &made {
        browser.go_to(page);
        let title = browser.value("document.title");
        assert_ne!(title, "run", "{page:?}");
        assert_ne!(title, "1", "{page:?}");
        assert_eq!(
            browser.value("document.querySelectorAll('script').length"),
            1,
            "{page:?}"
        );
        assert_eq!(
            browser.value(
                "document.querySelectorAll('iframe,svg[onload],[onerror],[onmouseover]').length"
            ),
            0
        );
        let links = browser.value(
            "[...document.querySelectorAll('a')].filter(a => a.protocol !== 'file:').length",
        );
        assert_eq!(links, 0, "{page:?}");
    }
    // Every link leads to a page that is there.
    browser.go_to(&pages.join("index.html"));
    let names = browser
        .value("[...document.querySelectorAll('a')].map(a => decodeURIComponent(a.pathname))");
    assert_eq!(names.as_array().unwrap().len(), 5);
    for name in names.as_array().unwrap() {
        assert!(Path::new(name.as_str().unwrap()).is_file(), "{name}");
    }
    assert!(browser.trouble.is_empty(), "{:?}", browser.trouble);
}

#[test]
fn charts_are_files_on_demand() {
    let (_folder, pages) = yard();
    for name in ["widths", "sizes"] {
        let png = image::open(pages.join(format!("checks_QB-0011.{name}.png"))).unwrap();
        assert_eq!(png.width(), 1600);
        let svg = fs::read_to_string(pages.join(format!("checks_QB-0011.{name}.svg"))).unwrap();
        assert!(svg.starts_with("<svg ") && !svg.contains("var("));
        // Well formed to its end, by an XML reader.
        let mut reader = quick_xml::Reader::from_str(&svg);
        while !matches!(reader.read_event().unwrap(), quick_xml::events::Event::Eof) {}
    }
}

#[test]
fn a_reading_without_its_picture_or_without_a_count_still_has_its_page() {
    let folder = tempfile::tempdir().unwrap();
    let readings = folder.path().join("readings");
    fs::create_dir(&readings).unwrap();
    read_into(&readings, "none_saw_QB-0000.jpg", &Settings::default());
    fs::remove_file(readings.join("none_saw_QB-0000.overlay.jpg")).unwrap();
    read_into(&readings, "cropped_QB-0006.jpg", &Settings::default());
    // An overlay of another photo, of another size.
    image::RgbImage::new(640, 480)
        .save(readings.join("cropped_QB-0006.overlay.jpg"))
        .unwrap();
    let pages = folder.path().join("pages");
    let made = report(&[], &readings, &pages);
    assert_eq!(made.status.code(), Some(0));
    assert!(String::from_utf8_lossy(&made.stderr).contains("none_saw_QB-0000.overlay.jpg: "));
    let page = fs::read_to_string(pages.join("none_saw_QB-0000.report.html")).unwrap();
    assert!(page.contains("none_saw_QB-0000.overlay.jpg isn't beside the reading"));
    let page = fs::read_to_string(pages.join("cropped_QB-0006.report.html")).unwrap();
    assert!(
        page.contains("it is not of this reading"),
        "{}",
        &page[..3000]
    );
    assert!(page.contains("no scale: lengths are pixels"));
    assert!(page.contains("as far as it is seen"));
}

#[test]
fn wrong_use_is_told_in_a_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let made = report(&[], folder.path(), &folder.path().join("out"));
    assert_eq!(made.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&made.stderr).contains("no reading found"));
    let made = report(
        &["--mark-every", "7"],
        folder.path(),
        &folder.path().join("out"),
    );
    assert_eq!(made.status.code(), Some(2));
}
