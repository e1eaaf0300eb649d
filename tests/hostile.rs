//! Files that mean harm or were harmed, through the real program with 2 GiB of address space: each gets a verdict or an
//! error with a hint, in time, and none of them takes the others of its call with it.
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does
#![cfg(unix)] // the limit on memory is the shell's `ulimit`

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

#[path = "support/hostile.rs"]
mod hostile;

use hostile::Hostile;

const ADDRESS_SPACE_KIB: u32 = 2 * 1024 * 1024;
/// Longest time for one file. A call for several files that takes longer is made again file by file.
const LONGEST: Duration = Duration::from_secs(10);
const SETUP: &str = "[ramp]\ntravel_mm = 90\n[head]\ngap_low_mm = 14\ngap_high_mm = 2\n[picture]\nlow_end = \"left\"\n";

/// What became of the files of one call.
struct Ran {
    status: Option<i32>,
    stdout: String,
    stderr: String,
    took: Duration,
}

fn read(folder: &Path, names: &[&str]) -> Ran {
    let started = Instant::now();
    let mut child = Command::new("sh")
        .current_dir(folder)
        .args(["-c", &format!("ulimit -v {ADDRESS_SPACE_KIB} && exec \"$@\""), "sh", env!("CARGO_BIN_EXE_narrows")])
        .args(["read", "--json", "--setup", "setup.toml"])
        .args(names)
        .stdout(Stdio::from(fs::File::create(folder.join("stdout.txt")).unwrap()))
        .stderr(Stdio::from(fs::File::create(folder.join("stderr.txt")).unwrap()))
        .spawn()
        .unwrap();
    let patience = LONGEST.max(Duration::from_millis(500) * names.len() as u32);
    while child.try_wait().unwrap().is_none() {
        if started.elapsed() > patience {
            child.kill().unwrap();
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    let text = |name: &str| String::from_utf8(fs::read(folder.join(name)).unwrap()).unwrap();
    let status = child.wait().unwrap().code();
    Ran { status, stdout: text("stdout.txt"), stderr: text("stderr.txt"), took: started.elapsed() }
}

#[derive(Default)]
struct Tally {
    files: usize,
    verdicts: Vec<String>,
    refused: usize,
    errors: usize,
    decoder_panics: Vec<String>,
    longest: (Duration, String),
    broken: Vec<String>,
}

/// One file's lot, from what its call said.
fn judge(name: &str, ran: &Ran, tally: &mut Tally) {
    tally.files += 1;
    if ran.took > tally.longest.0 {
        tally.longest = (ran.took, name.to_owned());
    }
    let verdict = ran
        .stdout
        .lines()
        .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
        .find(|object| object["picture"] == name);
    let lines: Vec<&str> = ran.stderr.lines().collect();
    let start = format!("error: {name}: ");
    let error = lines.iter().position(|line| line.starts_with(&start));
    match (verdict, error) {
        (Some(verdict), None) => {
            tally.verdicts.push(name.to_owned());
            tally.refused += usize::from(verdict["verdict"] == "refused");
        }
        (None, Some(at)) => {
            tally.errors += 1;
            let has_hint = lines.get(at + 1).is_some_and(|line| line.starts_with("hint: ") && line.len() > 15);
            if !has_hint || lines[at].contains("cannot be made") || lines[at].len() > 300 {
                tally.broken.push(format!("{name}: {}", lines[at]));
            }
            if lines[at].contains("decoder broke down") {
                tally.decoder_panics.push(name.to_owned());
            }
        }
        _ => tally.broken.push(format!("{name}: status {:?}, {:?} {:?}", ran.status, ran.stdout, ran.stderr)),
    }
}

/// Reads the files, many at a time; where a call ends badly each of its files by itself.
fn run(title: &str, files: &[Hostile], at_once: usize) -> Tally {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("setup.toml"), SETUP).unwrap();
    let contents: BTreeMap<&str, &[u8]> = files.iter().map(|(name, bytes)| (name.as_str(), bytes.as_slice())).collect();
    assert_eq!(contents.len(), files.len(), "two files of one name");
    for (name, bytes) in &contents {
        fs::write(folder.path().join(name), bytes).unwrap();
    }
    let names: Vec<&str> = contents.keys().copied().collect();
    let mut tally = Tally::default();
    for names in names.chunks(at_once) {
        let ran = read(folder.path(), names);
        let is_well = matches!(ran.status, Some(0..=2)) && ran.took < LONGEST;
        let mut judged = |name: &str, ran: &Ran| {
            judge(name, ran, &mut tally);
            if !matches!(ran.status, Some(0..=2)) || ran.took >= LONGEST {
                tally.broken.push(format!("{name}: status {:?} after {:?}, {}", ran.status, ran.took, ran.stderr));
            }
        };
        if is_well || names.len() == 1 {
            names.iter().for_each(|name| judged(name, &ran));
        } else {
            for name in names {
                let ran = read(folder.path(), &[name]);
                judged(name, &ran);
            }
        }
    }
    println!(
        "{title}: {} files, {} verdicts ({} refused), {} errors; {} panics caught in a decoder; longest call {:.2} s ({}) for up to {at_once} files",
        tally.files,
        tally.verdicts.len(),
        tally.refused,
        tally.errors,
        tally.decoder_panics.len(),
        tally.longest.0.as_secs_f64(),
        tally.longest.1,
    );
    tally.decoder_panics.iter().for_each(|name| println!("  a decoder panicked on {name}"));
    assert!(tally.broken.is_empty(), "{title}: {:#?}", tally.broken);
    assert!(tally.decoder_panics.is_empty(), "{title}: {:#?}", tally.decoder_panics);
    tally
}

#[test]
fn every_kind_that_is_read_gets_a_verdict() {
    let files = hostile::valid();
    let tally = run("valid", &files, 8);
    assert_eq!(tally.verdicts.len(), files.len());
}

#[test]
fn cut_files() {
    let mut files = hostile::truncated(&hostile::valid());
    let fixture = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/south-scan.jpg");
    let whole = [("south-scan.jpg".to_owned(), fs::read(fixture).unwrap())];
    files.extend(hostile::truncated(&whole));
    let tally = run("cut", &files, 32);
    assert!(tally.errors > tally.verdicts.len());
}

#[test]
fn flipped_bytes() {
    run("flipped", &hostile::flipped(&hostile::valid()), 32);
}

#[test]
fn tiff_directories() {
    run("directories", &hostile::directories(), 16);
}

/// One at a time, so that each has the memory for itself.
#[test]
fn claimed_sizes() {
    let tally = run("claimed sizes", &hostile::claiming(), 1);
    assert!(tally.verdicts.is_empty(), "nothing stands behind these sizes: {:?}", tally.verdicts);
}

#[test]
fn odd_shapes_densities_and_formats() {
    let tally = run("odd", &hostile::odd(), 8);
    assert_eq!(tally.verdicts.len(), tally.refused);
}

/// Writes the small valid files and the crooked directories where the fuzzers look for seeds.
#[test]
#[ignore = "writes into the source tree; for whoever changes the corpus"]
fn write_seeds() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/seeds/decode");
    for (name, bytes) in hostile::valid() {
        fs::write(folder.join(name), bytes).unwrap();
    }
}
