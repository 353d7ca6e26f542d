//! Bad input: every kind that a folder of photos brings along sooner or later. Each is told by file,
//! with what is wrong and what to do, and none stops the others.

mod pictures;

use endgrain::error::Error;
use endgrain::photo::{self, Photo};
use endgrain::settings::Settings;
use image::{ExtendedColorType as Colour, ImageFormat};
use pictures::{encoded, end_face, jpeg, png, png_header, tiff, with_exif};
use std::fs;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn decode(bytes: &[u8]) -> Result<Photo, Error> {
    photo::decode(bytes, Path::new("yard/log-7.jpg"), &Settings::default())
}

/// The message of a refusal, which must name the file and give a way out.
fn refusal(result: Result<Photo, Error>) -> String {
    let error = result.expect_err("bad input was read");
    let text = error.to_string();
    assert!(
        text.starts_with("yard/log-7.jpg: "),
        "no file is named: {text}"
    );
    assert!(text.contains("; "), "no way out is given: {text}");
    text
}

/// Small good files of every kind that is read, by name.
fn good_files() -> Vec<(&'static str, Vec<u8>)> {
    let face = end_face(96, 80);
    let lossless = |format| encoded(format, Colour::Rgb8, 96, 80, &face);
    let mut progressive = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut progressive, 90);
    encoder.set_progressive(true);
    encoder
        .encode(&face, 96, 80, jpeg_encoder::ColorType::Rgb)
        .unwrap();
    vec![
        ("JPEG", with_exif(&jpeg(&face, 90, None), 6)),
        ("progressive JPEG", progressive),
        ("PNG", lossless(ImageFormat::Png)),
        ("TIFF", lossless(ImageFormat::Tiff)),
        ("WebP", lossless(ImageFormat::WebP)),
        #[cfg(feature = "heic")]
        ("HEIC", fs::read("fixtures/photo/end.heic").unwrap()),
    ]
}

// ---- Single files, through the library

#[test]
fn an_empty_file_is_told_as_such() {
    assert!(refusal(decode(b"")).contains("the file is empty"));
}

#[test]
fn what_is_no_picture_is_told_as_what_it_is() {
    for (bytes, word) in [
        (&b"QB-0007, elm, felled in March\n"[..], "not a picture"),
        (b"\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0", "not a picture"),
        (b"%PDF-1.7\n", "a PDF"),
        (b"GIF89a\x01\0\x01\0", "GIF"),
        (b"BM\x46\0\0\0\0\0\0\0\x36\0\0\0", "BMP"),
        (b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom", "a film"),
        (b"\0\0\0\x18ftypavif\0\0\0\0avifmif1", "AVIF"),
        (b"FUJIFILMCCD-RAW 0201", "a camera raw file"),
    ] {
        let text = refusal(decode(bytes));
        assert!(text.contains(word), "{word}: {text}");
    }
}

#[test]
fn a_file_cut_short_is_refused_wherever_it_is_cut() {
    for (kind, whole) in good_files() {
        assert!(decode(&whole).is_ok(), "{kind}");
        // PNG's last twelve bytes, its end chunk, and padding say nothing about the pixels.
        let pixels_end = whole.len() - if kind == "PNG" { 12 } else { 1 };
        let tenths = (1..10).map(|tenth| whole.len() * tenth / 10);
        for cut in tenths.chain([1, 2, 3, 9, 20, pixels_end - 1]) {
            let result = decode(&whole[..cut]);
            assert!(
                result.is_err(),
                "{kind} cut at {cut} of {} was read",
                whole.len()
            );
            refusal(result);
        }
    }
}

#[test]
fn damage_never_gets_further_than_an_error() {
    // Whether a picture with a changed byte can still be read is the decoder's matter; that nothing
    // panics and no size gets past the limits is ours. A linear congruential sequence (Knuth's
    // MMIX constants) picks the places.
    let mut state = 7_u64;
    let mut next = |below: usize| {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(state >> 33).unwrap() % below
    };
    for (kind, whole) in good_files() {
        let mut refused = 0;
        for _ in 0..400 {
            let mut bytes = whole.clone();
            for _ in 0..=next(3) {
                // The first bytes, where the headers are, as often as all others.
                let reach = if next(2) == 0 {
                    200.min(bytes.len())
                } else {
                    bytes.len()
                };
                let at = next(reach);
                bytes[at] = u8::try_from(next(256)).unwrap();
            }
            match decode(&bytes) {
                Ok(photo) => assert!(photo.pixels.width() >= 64 && photo.pixels.height() >= 64),
                Err(error) => {
                    refused += 1;
                    assert!(!matches!(error, Error::Fault { .. }), "{kind}: {error}");
                }
            }
        }
        assert!(refused > 0, "{kind}: 400 damaged files and none refused");
    }
}

#[test]
fn absurd_sizes_in_a_header_are_refused_by_the_limit() {
    // A JPEG's size stands behind its frame mark, length and precision (T.81 B.2.2).
    let mut wide_jpeg = jpeg(&end_face(96, 80), 90, None);
    let frame = wide_jpeg
        .windows(2)
        .position(|w| w == [0xFF, 0xC0])
        .unwrap();
    wide_jpeg[frame + 5..frame + 9].fill(0xFF);
    // A lossless WebP's size, less one, stands in 14 bits each behind its signature (RFC 9649, 3.4).
    let mut wide_webp = encoded(ImageFormat::WebP, Colour::Rgb8, 96, 80, &end_face(96, 80));
    let sizes = wide_webp.windows(4).position(|w| w == b"VP8L").unwrap() + 9;
    wide_webp[sizes..sizes + 3].copy_from_slice(&[0xFE, 0xBF, 0xFF]);
    wide_webp[sizes + 3] |= 0x0F;
    let mut files = vec![
        ("JPEG", wide_jpeg, "65535 x 65535"),
        ("WebP", wide_webp, "16383 x 16383"),
        (
            "PNG",
            png_header(0x7FFF_FFFF, 0x7FFF_FFFF),
            "2147483647 x 2147483647",
        ),
        ("PNG", png_header(100_000, 100_000), "100000 x 100000"),
        (
            "TIFF",
            tiff(4_000_000_000, 4_000_000_000, 3, 8, false, 1, &[0; 64]),
            "4000000000 x",
        ),
    ];
    if cfg!(feature = "heic") {
        // The primary picture's size stands in its `ispe` box: version and flags, width, height.
        let mut heic = fs::read("fixtures/photo/end.heic").unwrap();
        let spots: Vec<usize> = (0..heic.len() - 4)
            .filter(|&i| &heic[i..i + 4] == b"ispe")
            .collect();
        for spot in spots {
            heic[spot + 8..spot + 16].copy_from_slice(&[0, 1, 0, 0, 0, 1, 0, 0]);
        }
        files.push(("HEIC", heic, "65536 x 65536"));
    }
    for (kind, bytes, size) in files {
        let result = decode(&bytes);
        assert!(
            matches!(result, Err(Error::TooLarge { .. })),
            "{kind}: {result:?}"
        );
        let text = refusal(result);
        assert!(
            text.contains(size) && text.contains("--max-megapixels"),
            "{kind}: {text}"
        );
    }
}

#[test]
fn sixty_megapixels_are_read_and_the_limit_is_a_setting() {
    let (width, height) = (10_000, 6_000);
    let grey = vec![117_u8; width as usize * height as usize];
    let mut sixty = Vec::new();
    jpeg_encoder::Encoder::new(&mut sixty, 60)
        .encode(&grey, 10_000, 6_000, jpeg_encoder::ColorType::Luma)
        .unwrap();
    let bytes = [
        sixty,
        encoded(ImageFormat::Png, Colour::L8, width, height, &grey),
    ];
    let tighter = Settings {
        max_megapixels: 59.9,
        ..Settings::default()
    };
    for bytes in bytes {
        let photo = decode(&bytes).unwrap();
        assert_eq!(photo.pixels.dimensions(), (width, height));
        let refused = photo::decode(&bytes, Path::new("a"), &tighter).unwrap_err();
        assert!(matches!(refused, Error::TooLarge { .. }), "{refused}");
    }
}

#[test]
fn a_picture_too_small_to_hold_a_disc_is_refused() {
    for (width, height) in [(1, 1), (1, 5000), (5000, 1), (63, 64)] {
        let refused = decode(&png(&end_face(width, height))).unwrap_err();
        assert!(
            matches!(refused, Error::TooSmall { .. }),
            "{width} x {height}: {refused}"
        );
        let text = refused.to_string();
        assert!(text.contains("at least 64 a side are needed"), "{text}");
    }
    assert!(decode(&png(&end_face(64, 64))).is_ok());
}

#[test]
fn a_kind_of_picture_that_isnt_read_is_told_with_the_way_out() {
    // 32-bit grey floats: a TIFF that the decoder knows but doesn't read.
    let text = refusal(decode(&tiff(80, 80, 1, 32, true, 1, &[0; 80 * 80 * 4])));
    assert!(
        text.contains("TIFF") && text.contains("save it as JPEG"),
        "{text}"
    );
}

#[test]
fn a_folder_and_a_missing_file_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let read = |path: &Path| photo::read(path, &Settings::default()).unwrap_err();
    assert!(
        read(folder.path())
            .to_string()
            .contains("a folder, not a photo")
    );
    let missing = read(&folder.path().join("gone.jpg"));
    assert!(matches!(missing, Error::Unreadable { .. }));
    assert!(
        missing.reason().contains("check the path"),
        "{}",
        missing.reason()
    );
}

#[cfg(unix)]
#[test]
fn a_device_that_never_ends_is_refused_by_its_first_bytes() {
    let refused = photo::read(Path::new("/dev/zero"), &Settings::default()).unwrap_err();
    assert!(matches!(refused, Error::NotAPicture { .. }), "{refused}");
}

// ---- Whole runs, through the command

/// A folder with photos in it, beside an output folder that isn't there yet.
struct Yard(tempfile::TempDir);

impl Yard {
    fn new(files: &[(&str, &[u8])]) -> Self {
        let yard = Yard(tempfile::tempdir().unwrap());
        fs::create_dir(yard.0.path().join("yard")).unwrap();
        for (name, bytes) in files {
            let path = yard.0.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
        }
        yard
    }

    /// `endgrain` with these arguments, run in the folder.
    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_endgrain"));
        command
            .args(arguments)
            .current_dir(self.0.path())
            .stdin(Stdio::null());
        command
    }

    fn run(&self, arguments: &[&str]) -> Ran {
        Ran::of(&self.command(arguments).output().unwrap())
    }

    fn has(&self, name: &str) -> bool {
        self.0.path().join(name).exists()
    }
}

struct Ran {
    status: Option<i32>,
    out: String,
    err: String,
}

impl Ran {
    fn of(output: &Output) -> Self {
        Ran {
            status: output.status.code(),
            out: String::from_utf8(output.stdout.clone()).unwrap(),
            err: String::from_utf8(output.stderr.clone()).unwrap(),
        }
    }

    #[track_caller]
    fn ends(&self, status: i32, words: &[&str]) {
        assert_eq!(self.status, Some(status), "{}", self.err);
        for words in words {
            assert!(
                self.err.contains(words),
                "{words:?} is not in: {}",
                self.err
            );
        }
    }
}

const COUNT: [&str; 4] = ["count", "yard", "--out", "out"];

#[test]
fn a_missing_path_fails_and_the_others_are_read() {
    let yard = Yard::new(&[("a.png", &png(&end_face(80, 80)))]);
    let ran = yard.run(&["count", "gone.jpg", "a.png", "--out", "out"]);
    ran.ends(
        1,
        &[
            "endgrain: gone.jpg: can't be opened; check the path",
            "1 failed",
        ],
    );
    assert!(yard.has("out/a.rings.json") && yard.has("out/ages.csv"));
}

#[test]
fn an_empty_folder_is_wrong_use() {
    let yard = Yard::new(&[("yard/notes.txt", b"felled in March")]);
    let ran = yard.run(&COUNT);
    ran.ends(
        2,
        &[
            "no photo found",
            "endgrain: yard: passed over 1 file that is no photo: notes.txt",
        ],
    );
    assert!(!yard.has("out"), "an output folder was made for nothing");
}

#[test]
fn one_bad_photo_of_each_kind_stops_no_other() {
    let good = png(&end_face(80, 80));
    let whole = jpeg(&end_face(80, 80), 90, None);
    let yard = Yard::new(&[
        ("yard/0.png", &good),
        ("yard/1-text.jpg", b"no picture at all"),
        ("yard/2-cut.jpg", &whole[..whole.len() / 2]),
        ("yard/3-empty.jpg", b""),
        ("yard/4-dot.png", &png(&end_face(1, 1))),
        ("yard/5-huge.png", &png_header(100_000, 100_000)),
        ("yard/6-renamed.tif", &whole),
        ("yard/7.png", &good),
    ]);
    for jobs in ["1", "4"] {
        let ran = yard.run(&["count", "yard", "--out", "out", "--jobs", jobs, "--json"]);
        ran.ends(
            1,
            &[
                "endgrain: yard/1-text.jpg: not a picture",
                "endgrain: yard/2-cut.jpg: the picture is damaged or cut short",
                "endgrain: yard/3-empty.jpg: the file is empty",
                "endgrain: yard/4-dot.png: 1 x 1 pixels are too few",
                "endgrain: yard/5-huge.png: 100000 x 100000 pixels are over the limit",
                "3 photos read",
                "5 failed",
            ],
        );
        let lines: Vec<serde_json::Value> = ran
            .out
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect();
        let schemas: Vec<&str> = lines
            .iter()
            .map(|l| l["schema"].as_str().unwrap())
            .collect();
        let (read, failed) = ("endgrain.reading/1", "endgrain.failure/1");
        assert_eq!(
            schemas,
            [read, failed, failed, failed, failed, failed, read, read]
        );
        assert_eq!(lines[2]["path"], "yard/2-cut.jpg");
        assert!(lines[2]["error"].as_str().unwrap().contains("cut short"));
        assert_eq!(lines[6]["photo"]["file"], "6-renamed.tif");
        for name in ["0", "6-renamed", "7"] {
            for ending in ["rings.json", "overlay.jpg", "strip.jpg"] {
                assert!(yard.has(&format!("out/{name}.{ending}")), "{name}.{ending}");
            }
        }
        let ages = fs::read_to_string(yard.0.path().join("out/ages.csv")).unwrap();
        assert_eq!(ages.lines().count(), 9);
    }
}

#[test]
fn black_and_white_pictures_get_a_reading_without_a_count() {
    let flat = |level| {
        png(&image::RgbImage::from_pixel(
            300,
            240,
            image::Rgb([level; 3]),
        ))
    };
    let yard = Yard::new(&[("yard/black.png", &flat(0)), ("yard/white.png", &flat(255))]);
    let ran = yard.run(&["count", "yard", "--out", "out", "--json"]);
    ran.ends(0, &["2 photos read"]);
    for line in ran.out.lines() {
        let reading: serde_json::Value = serde_json::from_str(line).unwrap();
        assert_eq!(reading["age"]["rings"], 0);
        assert_eq!(reading["rings"], serde_json::json!([]));
        assert_eq!(reading["notes"][0]["code"], "no-end-grain");
    }
    // What has no count is doubtful, and --strict says so in the status.
    yard.run(&["count", "yard", "--out", "out", "--strict"])
        .ends(1, &["2 of them doubtful"]);
}

#[test]
fn two_photos_of_one_name_both_get_their_files() {
    let (a, b) = (png(&end_face(80, 80)), jpeg(&end_face(90, 80), 90, None));
    let yard = Yard::new(&[
        ("yard/a.png", &a),
        ("yard/a.jpg", &b),
        ("other/c.png", &a),
        ("yard/c.png", &b),
    ]);
    yard.run(&["count", "yard", "other", "--out", "out"])
        .ends(0, &["4 photos read"]);
    for name in ["a.png", "a.jpg", "yard/c", "other/c"] {
        assert!(yard.has(&format!("out/{name}.rings.json")), "{name}");
    }
    let width = |name: &str| {
        let text = fs::read(yard.0.path().join("out").join(name)).unwrap();
        let reading: serde_json::Value = serde_json::from_slice(&text).unwrap();
        reading["photo"]["width_px"].as_u64().unwrap()
    };
    assert_eq!(
        (width("a.png.rings.json"), width("a.jpg.rings.json")),
        (80, 90)
    );
    assert_eq!(
        (width("yard/c.rings.json"), width("other/c.rings.json")),
        (90, 80)
    );
}

#[test]
fn a_file_in_the_output_folders_place_is_wrong_use() {
    let yard = Yard::new(&[("yard/a.png", &png(&end_face(80, 80))), ("out", b"a file")]);
    yard.run(&COUNT)
        .ends(2, &["endgrain: out: can't be written"]);
    assert_eq!(fs::read(yard.0.path().join("out")).unwrap(), b"a file");
}

/// Whether permissions hold this user back; root passes them all.
#[cfg(unix)]
fn permissions_hold(locked: &Path) -> bool {
    let holds = fs::File::open(locked).is_err();
    if !holds {
        println!("skipped: this user passes all permissions");
    }
    holds
}

#[cfg(unix)]
fn set_mode(path: &Path, mode: u32) {
    use std::os::unix::fs::PermissionsExt;
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}

#[cfg(unix)]
#[test]
fn a_photo_without_read_permission_fails_and_the_others_are_read() {
    let good = png(&end_face(80, 80));
    let yard = Yard::new(&[
        ("yard/a.png", &good),
        ("yard/b.png", &good),
        ("yard/shut/c.png", &good),
    ]);
    let at = |name: &str| yard.0.path().join(name);
    set_mode(&at("yard/a.png"), 0o000);
    if permissions_hold(&at("yard/a.png")) {
        set_mode(&at("yard/shut"), 0o000);
        let ran = yard.run(&COUNT);
        set_mode(&at("yard/shut"), 0o755);
        ran.ends(
            1,
            &[
                "endgrain: yard/a.png: can't be opened",
                "endgrain: yard/shut: can't be opened",
            ],
        );
        ran.ends(1, &["1 photo read, 1 of them doubtful, 2 failed"]);
    }
}

#[cfg(unix)]
#[test]
fn an_output_folder_without_write_permission_is_wrong_use() {
    let yard = Yard::new(&[("yard/a.png", &png(&end_face(80, 80))), ("probe", b"")]);
    let at = |name: &str| yard.0.path().join(name);
    set_mode(&at("probe"), 0o000);
    fs::create_dir(at("out")).unwrap();
    set_mode(&at("out"), 0o555);
    if permissions_hold(&at("probe")) {
        yard.run(&COUNT).ends(
            2,
            &["out/ages.csv: can't be written; check the free space and the permissions"],
        );
    }
}

#[cfg(unix)]
#[test]
fn a_disk_that_fills_up_leaves_no_half_file() {
    // A limit of 4 blocks a file, its signal ignored, makes write() fail half way through the overlay
    // and the strip, as on a full disk. Other files of the run are smaller.
    let yard = Yard::new(&[("yard/a.png", &png(&end_face(400, 400)))]);
    let line = format!(
        "trap '' XFSZ; ulimit -f 4; exec '{}' count yard --out out",
        env!("CARGO_BIN_EXE_endgrain")
    );
    let output = Command::new("sh")
        .args(["-c", &line])
        .current_dir(yard.0.path())
        .output()
        .unwrap();
    Ran::of(&output).ends(
        1,
        &[
            "a.overlay.jpg: can't be written; check the free space",
            "1 failed",
        ],
    );
    let names: Vec<_> = fs::read_dir(yard.0.path().join("out"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| !["ages.csv", "widths.csv", "run-record.jsonl"].contains(&name.as_str()))
        .collect();
    assert!(names.is_empty(), "left behind: {names:?}");
}

#[cfg(target_os = "linux")]
#[test]
fn data_that_cant_be_printed_is_a_failure() {
    let yard = Yard::new(&[("yard/a.png", &png(&end_face(80, 80)))]);
    let full = fs::OpenOptions::new()
        .write(true)
        .open("/dev/full")
        .unwrap();
    let output = yard.command(&COUNT).stdout(full).output().unwrap();
    Ran::of(&output).ends(1, &["standard output: can't be written"]);
    assert!(
        yard.has("out/a.rings.json"),
        "the files are written all the same"
    );
}

#[test]
fn a_reader_that_has_had_enough_is_no_failure() {
    let good = png(&end_face(80, 80));
    let yard = Yard::new(&[
        ("yard/a.png", &good),
        ("yard/b.png", &good),
        ("yard/c.png", &good),
    ]);
    for arguments in [
        &["count", "yard", "--out", "out", "--json"][..],
        &["schema"],
        &["count", "--help"],
    ] {
        let mut child = yard
            .command(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        drop(child.stdout.take());
        let output = child.wait_with_output().unwrap();
        Ran::of(&output).ends(0, &[]);
        assert!(!String::from_utf8_lossy(&output.stderr).contains("pipe"));
    }
    // The files are written whether or not anybody listens.
    assert!(yard.has("out/c.rings.json") && yard.has("out/ages.csv"));
}

#[test]
fn a_list_of_paths_comes_from_standard_input() {
    let good = png(&end_face(80, 80));
    let yard = Yard::new(&[
        ("yard/a b.png", &good),
        ("yard/c\nd.png", &good),
        ("yard/x/e.png", &good),
    ]);
    for (flags, list, names) in [
        (&[][..], "yard/a b.png\nyard/x\n", &["a b", "e"][..]),
        (&["-0"], "yard/c\nd.png\0yard/a b.png\0", &["c\nd", "a b"]),
    ] {
        let out = format!("out-{}", flags.len());
        let mut arguments = vec!["count", "-", "--json", "--out", &out];
        arguments.extend(flags);
        let mut child = yard
            .command(&arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        child
            .stdin
            .take()
            .unwrap()
            .write_all(list.as_bytes())
            .unwrap();
        let ran = Ran::of(&child.wait_with_output().unwrap());
        ran.ends(0, &["2 photos read"]);
        assert_eq!(ran.out.lines().count(), 2);
        for name in names {
            assert!(yard.has(&format!("{out}/{name}.rings.json")), "{name:?}");
        }
    }
}

#[test]
fn control_signs_in_a_name_dont_reach_the_terminal() {
    let yard = Yard::new(&[("yard/log\u{1b}[2J.jpg", b"no picture")]);
    let ran = yard.run(&COUNT);
    ran.ends(1, &["log\u{fffd}[2J.jpg: not a picture"]);
    assert!(!ran.err.contains('\u{1b}') && !ran.out.contains('\u{1b}'));
}
