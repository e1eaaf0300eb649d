//! Published numbers only.

#[path = "references/beam.rs"]
mod beam;
#[path = "references/control.rs"]
mod control;
#[path = "references/gum.rs"]
mod gum;
#[path = "references/line_width.rs"]
mod line_width;
#[path = "references/nist.rs"]
mod nist;

/// A file of reference data.
fn reference(name: &str) -> String {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/reference").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|why| panic!("{}: {why}", path.display()))
}

/// All the numbers of a line, where it holds nothing else.
fn numbers(line: &str) -> Option<Vec<f64>> {
    let values: Option<Vec<f64>> = line.split_whitespace().map(|word| word.parse().ok()).collect();
    values.filter(|values| !values.is_empty())
}

/// Fails unless both agree relatively.
#[track_caller]
fn assert_close(name: &str, value: f64, expected: f64, relative: f64) {
    assert!((value / expected - 1.0).abs() < relative, "{name}: {value}, expected {expected}");
}
