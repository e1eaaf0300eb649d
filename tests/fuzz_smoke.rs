//! A short run of every fuzzer's entry on the toolchain that builds the rest; the long one is in `tests/fuzz/README.md`.
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
