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

/// True positions are the renderer's (fixtures/README.md): where the noise-free kerf is narrowest.
#[test]
fn shipped_pictures_give_their_finest_place() {
    for (name, truth) in [("north-scan", 69.638), ("south-marks", 36.144)] {
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
fn a_picture_with_too_few_pixels_is_refused() {
    let (status, json) = read("south-too-coarse");
    assert_eq!(status, 1);
    assert_eq!(json["refusal"]["code"], "unresolved");
    assert!(json["focus"].is_null());
}
