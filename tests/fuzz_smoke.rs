//! A short run of every fuzzer's entry on the toolchain that builds the rest; the long one is in `tests/fuzz/README.md`.
#![cfg(feature = "web")]
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

use std::fs;
use std::path::Path;

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

#[path = "fuzz/entries.rs"]
mod entries;

/// Inputs found by the long runs that once broke something, and others worth keeping: `tests/fuzz/seeds/TARGET/`.
fn seeds(target: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/seeds").join(target);
    let mut files: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    files.iter().map(|file| fs::read(file).unwrap()).collect()
}

/// The input changed in a few places, cut, or grown.
fn changed(input: &[u8], dice: &mut ChaCha8Rng) -> Vec<u8> {
    let mut changed = input.to_vec();
    for _ in 0..dice.random_range(1..6) {
        let at = dice.random_range(0..changed.len().max(1));
        match dice.random_range(0..6) {
            0 if at < changed.len() => changed[at] ^= 1 << dice.random_range(0..8),
            1 if at < changed.len() => changed[at] = [0, 1, 0x7f, 0x80, 0xff][dice.random_range(0..5)],
            2 if at < changed.len() => changed.truncate(at),
            3 => changed.insert(at.min(changed.len()), dice.random()),
            4 if at < changed.len() => drop(changed.remove(at)),
            _ => {
                let more = dice.random_range(1..40);
                changed.extend((0..more).map(|_| dice.random::<u8>()));
            }
        }
    }
    changed
}

fn run(target: &str, seed: u64, rounds: usize) {
    let (_, entry) = entries::ALL.into_iter().find(|(name, _)| *name == target).unwrap();
    let mut dice = ChaCha8Rng::seed_from_u64(seed);
    let seeds = seeds(target);
    assert!(!seeds.is_empty());
    for seed in &seeds {
        entry(seed);
    }
    for round in 0..rounds {
        let input = if round % 4 == 0 {
            let mut bytes = vec![0; dice.random_range(0..300)];
            dice.fill_bytes(&mut bytes);
            bytes
        } else {
            changed(&seeds[round % seeds.len()], &mut dice)
        };
        // What broke it can then be found by its round alone.
        let outcome = std::panic::catch_unwind(|| entry(&input));
        assert!(outcome.is_ok(), "{target}: round {round} broke on {input:?}");
    }
}

#[test]
fn decode() {
    run("decode", 1, 3000);
}

#[test]
fn setup() {
    run("setup", 2, 20_000);
}

#[test]
fn marks() {
    run("marks", 3, 1500);
}

#[test]
fn stations() {
    run("stations", 4, 200);
}

#[test]
fn ribbon() {
    run("ribbon", 5, 40);
}

#[test]
fn import() {
    run("import", 6, 3000);
}

#[test]
fn upload() {
    run("upload", 7, 1500);
}

/// Writes the seeds of the two targets that take what the program itself makes: exports of the kept example, and the small
/// pictures of `decode` as uploads of every kind.
#[test]
#[ignore = "writes into the source tree; for whoever changes the corpus"]
fn write_seeds() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let write = |target: &str, name: &str, bytes: &[u8]| {
        let folder = root.join("tests/fuzz/seeds").join(target);
        fs::create_dir_all(&folder).unwrap();
        fs::write(folder.join(name), bytes).unwrap();
    };
    // The heading lines, every kind of event once, and the shortest readings, each with two of its stations.
    let text = fs::read_to_string(root.join("fixtures/logbook/shop.jsonl")).unwrap();
    let mut kinds = Vec::new();
    let mut readings: Vec<String> = Vec::new();
    let mut kept: Vec<String> = Vec::new();
    for line in text.lines() {
        let mut object: serde_json::Value = serde_json::from_str(line).unwrap();
        if object["record"] == "reading" {
            object["replaces"] = serde_json::Value::Null;
            object["replaced_by"] = serde_json::Value::Null;
            if let Some(stations) = object["details"]["stations"].as_array_mut() {
                stations.truncate(2);
            }
            readings.push(object.to_string());
        } else if object["record"] != "event" || !kinds.contains(&object["kind"]) {
            kinds.push(object["kind"].clone());
            if object["record"] == "event" {
                object["replaces"] = serde_json::Value::Null;
                object["replaced_by"] = serde_json::Value::Null;
            }
            kept.push(object.to_string());
        }
    }
    readings.sort_by_key(String::len);
    let heading = kept[0].clone();
    write("import", "heading.jsonl", format!("{heading}\n").as_bytes());
    write("import", "no-readings.jsonl", (kept.join("\n") + "\n").as_bytes());
    for (name, some) in [("shortest", &readings[..2]), ("longest", &readings[readings.len() - 1..])] {
        let text = [&kept[..], some].concat().join("\n") + "\n";
        write("import", &format!("{name}.jsonl"), text.as_bytes());
        let folder = tempfile::tempdir().unwrap();
        let mut book = narrows::logbook::Logbook::open_or_create(&folder.path().join("a.db")).unwrap();
        book.import(&text).unwrap();
        let mut table = Vec::new();
        book.export(narrows::logbook::Form::Csv, &mut table).unwrap();
        write("import", &format!("{name}.csv"), &table);
    }
    // Kind, announced length, piece, where it breaks, length of the name: see `tests/fuzz/upload.rs`.
    for (name, kind, length) in
        [("grey.jpg", 0, 0), ("grey.png", 8, 0), ("plain.tif", 2, 100), ("lossless.webp", 4, 0), ("plain.bmp", 0, 0)]
    {
        let file = fs::read(root.join("tests/fuzz/seeds/decode").join(name)).unwrap();
        let head = [kind, length, 0, 3, 2, name.len() as u8];
        write("upload", &format!("{kind}-{name}"), &[&head, name.as_bytes(), &file].concat());
    }
    write("upload", "0-nothing", &[0, 0, 0, 0, 0, 0]);
    write("upload", "3-no-length", b"\x03\0\0\0\0\x05a.png-1");
}
