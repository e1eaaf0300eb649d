//! The shipped pictures through the real binary: which answer comes out, and which picture gets none.

#![allow(clippy::unwrap_used, clippy::missing_panics_doc)]

use assert_cmd::Command;
use serde_json::Value;

fn read(name: &str) -> (i32, Value) {
    let output = Command::cargo_bin("narrows")
        .unwrap()
        .args(["read", &format!("fixtures/{name}.jpg"), "--setup", &format!("fixtures/{name}.toml"), "--json"])
        .output()
        .unwrap();
    let line = String::from_utf8(output.stdout).unwrap();
    (output.status.code().unwrap(), serde_json::from_str(line.trim()).unwrap())
}

/// Where each is truly finest, mm along the strip: printed by the example that renders them.
const NORTH_SCAN: f64 = 41.33;
const NORTH_PHOTO: f64 = 39.00;
const SOUTH_SCAN: f64 = 59.92;

/// True positions are the renderer's: where the noise-free kerf is narrowest.
#[test]
fn shipped_pictures_give_their_finest_place() {
    for (name, truth) in [("north-scan", NORTH_SCAN), ("north-photo", NORTH_PHOTO), ("south-scan", SOUTH_SCAN)] {
        let (status, json) = read(name);
        assert_eq!(status, 0, "{name}");
        assert_eq!(json["verdict"], "found", "{name}");
        let position = &json["focus"]["position_mm"];
        let [value, expanded] =
            ["value", "expanded_uncertainty"].map(|key| position[key].as_f64().expect("a number with its uncertainty"));
        assert!((value - truth).abs() <= 1.5 * expanded, "{name}: {value} ± {expanded}, true {truth}");
        assert!(expanded < 6.0, "{name}: an answer this unsure says nothing: ± {expanded}");
        assert!(json["focus"]["spacer_mm"]["value"].is_number(), "{name}");
    }
}

#[test]
fn a_line_that_is_finest_beyond_its_end_is_refused_with_what_to_do() {
    let (status, json) = read("south-off-the-end");
    assert_eq!(status, 1);
    assert_eq!(json["refusal"]["code"], "not_bracketed");
    assert!(json["refusal"]["advice"].as_str().unwrap().starts_with("raise the head"), "{json}");
    assert!(json["focus"].is_null());
}
