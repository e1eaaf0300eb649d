//! Keep, list, show, correct, withdraw, there and back.

use std::fs;
use std::io::Cursor;

use exif::experimental::Writer;
use exif::{Field, In, Tag, Value as ExifValue};

use super::support::Shop;

#[test]
fn a_strip_is_kept_with_what_machine_and_lens_supply() {
    let shop = Shop::new();
    let answer = shop.read(&["strip.png", "--keep", "--when", "2026-03-01 14:30", "--note", "after the holidays"]).ok();
    assert!(answer.contains("as record 1: north, two inch, 2026-03-01 14:30"), "{answer}");
    assert!(answer.contains("9.0 mm"), "the block in use comes from the machine: {answer}");
    let listed = shop.log(&["list", "--json"]).json();
    assert_eq!(listed.len(), 1);
    let record = &listed[0];
    assert_eq!(record["record"], "reading");
    assert_eq!(record["when"], "2026-03-01T14:30:00+00:00");
    assert_eq!((&record["when_from"], &record["zone_assumed"]), (&"given".into(), &true.into()));
    assert_eq!((&record["machine"], &record["lens"]), (&"north".into(), &"two inch".into()));
    assert_eq!(record["head"]["spacer_in_use_mm"], 9.0);
    assert_eq!(record["head"]["nominal_focal_length_mm"], 50.8);
    assert_eq!(record["note"], "after the holidays");
    assert_eq!(record["burn"]["material"], "ply");
    // The same reading without the logbook, given what the machine supplied.
    let alone = shop.run(&["read", "strip.png", "--setup", "setup.toml", "--spacer-in-use-mm", "9", "--json"]).json();
    for field in ["spacer_mm", "position_mm", "change_mm", "kerf_mm"] {
        for part in ["value", "standard_uncertainty"] {
            assert_eq!(record[field][part], alone[0]["focus"][field][part], "{field} {part}");
        }
    }
    let shown = shop.log(&["show", "1", "--json", "--overlay", "overlay.jpg"]).json();
    assert!(shown[0]["details"]["stations"].as_array().unwrap().len() > 100);
    assert!(shown[0]["details"]["setup"].as_str().unwrap().contains("spacer_in_use_mm = 9"));
    assert_eq!(shown[0]["details"]["fits"].as_array().unwrap().len(), alone[0]["fits"].as_array().unwrap().len());
    let overlay = fs::read(shop.path("overlay.jpg")).unwrap();
    assert!(overlay.len() < 150_000, "{}", overlay.len());
    assert_eq!(image::load_from_memory(&overlay).unwrap().width(), 900);
    // SHA-256 by another implementation: GNU coreutils.
    if let Ok(sum) = std::process::Command::new("sha256sum").arg(shop.path("strip.png")).output() {
        let sum = String::from_utf8(sum.stdout).unwrap();
        assert_eq!(record["picture"]["sha256"].as_str().unwrap(), sum.split(' ').next().unwrap());
    }
    let page = shop.log(&["show", "1"]).ok();
    for words in ["block in use", "9.0 mm", "after the holidays", "time zone assumed"] {
        assert!(page.contains(words), "{words}: {page}");
    }
}

#[test]
fn json_of_a_kept_reading_names_its_record_and_is_otherwise_the_same() {
    let shop = Shop::new();
    let plain = shop.read(&["strip.png", "--json"]).ok();
    assert!(!plain.contains("kept"));
    let kept = shop.read(&["strip.png", "--json", "--keep", "--when", "2026-03-01T10:00:00+02:00"]).ok();
    assert_eq!(kept.split(",\"kept\":").next().unwrap(), plain.trim_end().strip_suffix('}').unwrap());
    let kept: serde_json::Value = serde_json::from_str(&kept).unwrap();
    assert_eq!(kept["kept"]["id"], 1);
    assert_eq!(kept["kept"]["when"], "2026-03-01T10:00:00+02:00");
    assert_eq!(kept["kept"]["zone_assumed"], false);
}

#[test]
fn the_same_picture_is_noticed_and_can_be_kept_again_or_in_place() {
    let shop = Shop::new();
    shop.read(&["strip.png", "--keep"]).ok();
    fs::copy(shop.path("strip.png"), shop.path("copy.png")).unwrap();
    let again = shop.read(&["copy.png", "--keep"]).ok();
    assert!(again.contains("the same picture is record 1"), "{again}");
    assert_eq!(shop.log(&["list", "--json"]).json().len(), 1);
    // Another part of the picture may show another strip.
    shop.read(&["copy.png", "--keep", "--area-px", "0,0,1840,360"]).ok();
    shop.read(&["copy.png", "--keep", "--keep-again"]).ok();
    assert_eq!(shop.log(&["list", "--json"]).json().len(), 3);
    shop.read(&["strip.png", "--keep", "--replaces", "1", "--gap-low-mm", "13"]).ok();
    let all = shop.log(&["list", "--all", "--json"]).json();
    let first = all.iter().find(|record| record["id"] == 1).unwrap();
    assert_eq!(first["replaced_by"], 4);
    assert_eq!(shop.log(&["list", "--json"]).json().len(), 3);
    assert!(shop.read(&["strip.png", "--keep", "--replaces", "1"]).stderr.contains("already replaced by record 4"));
    shop.read(&["strip.png", "--keep", "--replaces", "77"]).fails(2);
}

#[test]
fn a_reading_without_an_answer_is_kept_as_such_where_that_is_asked() {
    let shop = Shop::new();
    let refused = shop.read(&["blank.png", "--keep"]);
    assert_eq!(refused.status, 1);
    assert!(refused.stdout.contains("--keep=all"), "{}", refused.stdout);
    assert!(shop.log(&["list", "--json"]).json().is_empty());
    assert_eq!(shop.read(&["blank.png", "strip.png", "--keep=all"]).status, 1);
    let listed = shop.log(&["list", "--json"]).json();
    assert_eq!(listed[0]["refusal"]["code"], "no_line");
    assert_eq!(listed[0]["spacer_mm"], serde_json::Value::Null);
    assert_eq!(listed[1]["refusal"], serde_json::Value::Null);
    assert!(shop.log(&["list"]).ok().contains("no answer:"));
}

/// The strip as a JPEG with a capture time.
fn with_capture_time(shop: &Shop, name: &str, time: &str, offset: Option<&str>) {
    let picture = image::open(shop.path("strip.png")).unwrap().to_luma8();
    let mut jpeg = Vec::new();
    picture.write_with_encoder(image::codecs::jpeg::JpegEncoder::new_with_quality(&mut jpeg, 95)).unwrap();
    let ascii =
        |tag, text: &str| Field { tag, ifd_num: In::PRIMARY, value: ExifValue::Ascii(vec![text.as_bytes().to_vec()]) };
    let mut fields = vec![ascii(Tag::DateTimeOriginal, time)];
    fields.extend(offset.map(|offset| ascii(Tag::OffsetTimeOriginal, offset)));
    let mut writer = Writer::new();
    fields.iter().for_each(|field| writer.push_field(field));
    let mut tiff = Cursor::new(Vec::new());
    writer.write(&mut tiff, false).unwrap();
    let block = [b"Exif\0\0".to_vec(), tiff.into_inner()].concat();
    let length = (block.len() as u16 + 2).to_be_bytes();
    let file = [&jpeg[..2], &[0xff, 0xe1], &length, &block, &jpeg[2..]].concat();
    fs::write(shop.path(name), file).unwrap();
}

/// Lisbon is one hour ahead of UTC in July (time zone database).
#[test]
fn the_time_is_the_one_given_else_the_pictures_else_now() {
    let shop = Shop::new();
    with_capture_time(&shop, "bare.jpg", "2025:07:01 09:00:00", None);
    with_capture_time(&shop, "told.jpg", "2025:07:02 09:00:00", Some("+05:30"));
    with_capture_time(&shop, "ahead.jpg", "2199:07:01 09:00:00", None);
    let kept = |args: &[&str]| {
        let ran = shop.read(&[args, &["--keep", "--json"]].concat()).json();
        let kept = &ran[0]["kept"];
        (
            kept["when"].as_str().unwrap().to_owned(),
            kept["when_from"].as_str().unwrap().to_owned(),
            kept["zone_assumed"] == true,
        )
    };
    assert_eq!(kept(&["bare.jpg"]), ("2025-07-01T09:00:00+01:00".into(), "picture".into(), true));
    assert_eq!(kept(&["told.jpg"]), ("2025-07-02T09:00:00+05:30".into(), "picture".into(), false));
    let given = kept(&["told.jpg", "--keep-again", "--when", "2025-07-03"]);
    assert_eq!(given, ("2025-07-03T12:00:00+01:00".into(), "given".into(), true));
    for name in ["strip.png", "ahead.jpg"] {
        let before = jiff::Timestamp::now();
        let (when, from, assumed) = kept(&[name]);
        let when: jiff::Timestamp = when.parse().unwrap();
        assert!((when.as_second() - before.as_second()).abs() < 300, "{name}: {when}");
        assert_eq!((from.as_str(), assumed), ("now", false));
    }
    assert!(shop.read(&["strip.png", "--keep", "--when", "yesterday"]).fails(2).contains("yesterday"));
    assert!(shop.read(&["strip.png", "--keep", "--when", "2199-01-01"]).fails(2).contains("has not come yet"));
}

#[test]
fn the_lens_is_the_one_in_the_machine_at_that_time() {
    let shop = Shop::new();
    shop.log(&["lens", "four inch", "--nominal-focal-length-mm", "101.6", "--on", "north", "--spacer-in-use-mm", "20"])
        .ok();
    shop.log(&["event", "lens-refitted", "--lens", "four inch", "--when", "2026-02-01"]).ok();
    let kept = |when: &str, args: &[&str]| {
        let ran =
            shop.read(&[&["strip.png", "--keep", "--keep-again", "--json", "--when", when], args].concat()).json();
        let id = ran[0]["kept"]["id"].to_string();
        let shown = shop.log(&["show", &id, "--json"]).json();
        (shown[0]["lens"].clone(), shown[0]["head"]["spacer_in_use_mm"].clone())
    };
    assert_eq!(kept("2026-01-15", &[]), ("two inch".into(), 9.0.into()));
    assert_eq!(kept("2026-02-15", &[]), ("four inch".into(), 20.0.into()));
    assert_eq!(kept("2026-02-16", &["--lens", "Two Inch"]), ("two inch".into(), 9.0.into()));
    assert_eq!(kept("2026-02-17", &["--spacer-in-use-mm", "8"]), ("four inch".into(), 8.0.into()));
    assert!(shop.read(&["strip.png", "--lens", "ten inch"]).fails(2).contains("four inch, two inch"));
}

#[test]
fn a_correction_is_a_new_record_and_computes_what_it_can() {
    let shop = Shop::new();
    shop.read(&["strip.png", "--keep", "--when", "2026-03-01"]).ok();
    let corrected = shop.log(&["correct", "1", "--gap-low-mm", "13.5", "--note", "gap misread", "--json"]).json();
    let direct = shop.run(&[
        "read",
        "strip.png",
        "--setup",
        "setup.toml",
        "--spacer-in-use-mm",
        "9",
        "--gap-low-mm",
        "13.5",
        "--json",
    ]);
    let direct = direct.json();
    for field in ["spacer_mm", "change_mm", "position_mm", "kerf_mm"] {
        for part in ["value", "standard_uncertainty"] {
            assert_eq!(corrected[0][field][part], direct[0]["focus"][field][part], "{field} {part}");
        }
    }
    assert_eq!(corrected[0]["replaces"], 1);
    let first = shop.log(&["show", "1", "--json"]).json();
    assert_eq!(first[0]["replaced_by"], 2);
    assert_ne!(first[0]["spacer_mm"], corrected[0]["spacer_mm"]);
    // Overlay and places go with it.
    assert!(shop.log(&["show", "2", "--json"]).json()[0]["details"]["stations"].as_array().unwrap().len() > 100);
    assert!(shop.log(&["correct", "1", "--note", "x"]).fails(2).contains("already replaced by record 2"));
    let moved = shop.log(&["correct", "2", "--travel-mm", "90"]).fails(2);
    assert!(moved.contains("travel_mm") && moved.contains("--replaces 2"), "{moved}");
    shop.log(&["correct", "2"]).fails(2);
    shop.log(&["correct", "2", "--kind", "other"]).fails(2);
    shop.log(&["correct", "2", "--gap-low-mm", "-1"]).fails(2);
    shop.log(&["correct", "99", "--note", "x"]).fails(2);
}

#[test]
fn events_are_kept_corrected_and_withdrawn() {
    let shop = Shop::new();
    shop.log(&["event", "head-refitted", "--machine", "NORTH", "--when", "2026-01-05", "--tube-mark", "12"]).ok();
    shop.log(&["event", "other"]).fails(2);
    shop.log(&["event", "other", "--note", "new bed"]).ok();
    shop.log(&["event", "lens-cleaned", "--machine", "west"]).fails(2);
    let listed = shop.log(&["list", "--json", "--only", "events"]).json();
    assert_eq!((&listed[0]["kind"], &listed[0]["tube_mark"]), (&"head_refitted".into(), &"12".into()));
    shop.log(&["correct", "1", "--kind", "lens-refitted", "--when", "2026-01-06"]).ok();
    shop.log(&["withdraw", "2", "--reason", ""]).fails(2);
    shop.log(&["withdraw", "2", "--reason", "it was the other shop"]).ok();
    assert!(shop.log(&["withdraw", "2", "--reason", "again"]).fails(2).contains("it was the other shop"));
    let listed = shop.log(&["list", "--json"]).json();
    assert_eq!(listed.len(), 1);
    assert_eq!((&listed[0]["kind"], &listed[0]["id"]), (&"lens_refitted".into(), &3.into()));
    let text = shop.log(&["list", "--all"]).ok();
    assert!(text.contains("withdrawn (it was the other shop)") && text.contains("replaced by 3"), "{text}");
    // A withdrawn record comes back by being put right.
    shop.log(&["correct", "2", "--note", "new bed after all"]).ok();
    assert_eq!(shop.log(&["list", "--json"]).json().len(), 2);
}

#[test]
fn lists_are_narrowed_by_machine_lens_and_date() {
    let shop = Shop::new();
    shop.log(&["machine", "south"]).ok();
    for (machine, when) in [("north", "2026-01-01"), ("south", "2026-01-02"), ("north", "2026-01-03")] {
        shop.log(&["event", "mirrors-cleaned", "--machine", machine, "--when", when]).ok();
    }
    let count = |args: &[&str]| shop.log(&[&["list", "--json"], args].concat()).json().len();
    assert_eq!(count(&["--machine", "north"]), 2);
    assert_eq!(count(&["--since", "2026-01-02"]), 2);
    assert_eq!(count(&["--until", "2026-01-02"]), 2);
    assert_eq!(count(&["--since", "2026-01-02", "--until", "2026-01-02"]), 1);
    assert_eq!(count(&["--last", "1"]), 1);
    assert_eq!(count(&["--lens", "two inch"]), 0);
    // Two machines: one must be named.
    assert!(shop.log(&["event", "mirrors-cleaned"]).fails(2).contains("north, south"));
    shop.log(&["list", "--machine", "east"]).fails(2);
}

#[test]
fn facts_are_said_once_and_taken_away_by_saying_nothing() {
    let shop = Shop::new();
    shop.log(&["machine", "north", "--ramp", "oak", "--incline-deg", "5.7", "--incline-u-deg", "0.02"]).ok();
    fs::write(shop.path("short.toml"), "incline_deg = 3.2\n").unwrap();
    let machine = || shop.log(&["machine", "north", "--json"]).json().remove(0);
    assert_eq!(machine()["ramp"]["incline_u_deg"], 0.02);
    assert_eq!(machine()["fitting"]["spacer_in_use_mm"], 9.0);
    shop.log(&[
        "machine",
        "north",
        "--ramp-file",
        "short.toml",
        "--spacer-in-use-mm",
        "",
        "--tip-diameter-mm",
        "0.3 in",
    ])
    .ok();
    assert_eq!(machine()["ramp"], serde_json::json!({"name": "short", "incline_deg": 3.2, "incline_u_deg": null}));
    assert_eq!(machine()["fitting"]["spacer_in_use_mm"], serde_json::Value::Null);
    assert_eq!(machine()["fitting"]["tip_diameter_mm"], 7.62);
    for wrong in [
        &["--zone", "Atlantis/Poseidon"][..],
        &["--tip-diameter-mm", "wide"],
        &["--spacer-in-use-mm", "-7"],
        &["--lens", "ten inch"],
        &["--incline-deg", "95"],
        &["--ramp-file", "none.toml"],
    ] {
        shop.log(&[&["machine", "north"], wrong].concat()).fails(2);
    }
    shop.log(&["machine", " north"]).fails(2);
    assert!(shop.log(&["machine"]).ok().contains("two inch"));
    assert!(shop.log(&["lens"]).ok().contains("50.8 mm"));
}

#[test]
fn the_machines_ramp_says_how_steep_where_the_setup_does_not() {
    let shop = Shop::new();
    let degrees = (8.0_f64 / drawn_travel()).atan().to_degrees();
    shop.log(&["machine", "north", "--ramp", "oak", "--incline-deg", &degrees.to_string()]).ok();
    let text = fs::read_to_string(shop.path("setup.toml")).unwrap();
    let stated = shop.read(&["strip.png", "--json"]).json();
    fs::write(shop.path("setup.toml"), text.replace("rise_mm = 8\n", "")).unwrap();
    let supplied = shop.read(&["strip.png", "--json"]).json();
    let spacer = |read: &[serde_json::Value]| read[0]["focus"]["spacer_mm"]["value"].as_f64().unwrap();
    assert!((spacer(&stated) - spacer(&supplied)).abs() < 1e-5);
    shop.run(&["read", "strip.png", "--setup", "setup.toml"]).fails(2);
}

fn drawn_travel() -> f64 {
    (super::drawn::SPAN_MM.powi(2) - 64.0).sqrt()
}

#[test]
fn both_exports_come_back_through_the_program() {
    let shop = Shop::new();
    shop.read(&["strip.png", "blank.png", "--keep=all"]);
    shop.log(&["event", "lens-cleaned", "--note", "a \"brown\" haze,\nwith a line end"]).ok();
    shop.log(&["correct", "1", "--power", "20"]).ok();
    shop.log(&["withdraw", "2", "--reason", "blank"]).ok();
    let lines = shop.log(&["export"]).ok();
    for (name, form) in [("all.jsonl", "jsonl"), ("all.csv", "csv")] {
        shop.log(&["export", name]).ok();
        let said = shop.run(&["log", "import", name, "--logbook", &format!("{form}.db")]).ok();
        assert_eq!(said, "Added 3 readings and 1 event.\n");
        let again = shop.run(&["log", "export", "--logbook", &format!("{form}.db")]).ok();
        assert!(again == lines, "{form}");
        let twice = shop.run(&["log", "import", name, "--logbook", &format!("{form}.db")]).ok();
        assert_eq!(twice, "Added 0 readings and 0 events; 4 were there already.\n");
    }
    shop.log(&["export", "all.xls"]).fails(2);
    shop.log(&["export", "book.db", "--form", "csv"]).fails(2);
    let wrong = shop.log(&["import", "setup.toml"]).fails(2);
    assert!(wrong.contains("setup.toml"), "{wrong}");
}

#[test]
fn without_a_logbook_the_way_to_one_is_told() {
    let shop = Shop::empty();
    assert!(shop.log(&["list"]).fails(2).contains("narrows log machine"));
    assert!(shop.read(&["strip.png", "--keep"]).fails(2).contains("narrows log machine"));
    assert!(!shop.path("book.db").exists());
    // The usual place is the platform's: here as XDG's base directory specification has it.
    shop.run(&["log", "machine", "north"]).ok();
    #[cfg(target_os = "linux")]
    assert!(shop.path("data/narrows/logbook.db").exists());
    shop.run(&["log"]).fails(2);
}
