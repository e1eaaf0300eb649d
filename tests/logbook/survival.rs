//! Writers killed in the middle of a write, and writers side by side.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::Duration;

use narrows::logbook::{Kept, Logbook};

use super::support::{Shop, made_up, made_up_book};

/// How many writers are killed.
const KILLS: u32 = 220;
/// How many runs of the program are killed.
const PROGRAM_KILLS: u32 = 40;

const BOOK: &str = "NARROWS_TEST_BOOK";
const FIRST: &str = "NARROWS_TEST_FIRST";
const COUNT: &str = "NARROWS_TEST_COUNT";
/// Names a file: a writer begins when it is there, and then leaves others a turn after each write.
const GO: &str = "NARROWS_TEST_GO";

/// No test by itself: run as a process of its own by the tests below. Keeps readings and tells each once it is kept.
#[test]
#[ignore = "a process of its own that the other tests start"]
fn writer() {
    let Ok(book) = std::env::var(BOOK) else { return };
    let number = |name: &str| std::env::var(name).unwrap().parse::<u32>().unwrap();
    let (first, count) = (number(FIRST), number(COUNT));
    let mut book = Logbook::open(Path::new(&book)).unwrap();
    let go = std::env::var(GO).ok();
    while go.as_ref().is_some_and(|go| !Path::new(go).exists()) {
        thread::sleep(Duration::from_millis(1));
    }
    // Not by println, which the test harness holds back.
    let mut out = std::io::stdout().lock();
    for number in first..first + count {
        let (entry, details) = made_up(number);
        let Kept::New(id) = book.keep(&entry, &details, false).unwrap() else { panic!("kept twice") };
        writeln!(out, "kept {number} {id}").unwrap();
        out.flush().unwrap();
        if go.is_some() {
            thread::sleep(Duration::from_millis(3));
        }
    }
}

fn start_writer(book: &Path, first: u32, count: u32) -> Child {
    writer_command(book, first, count).spawn().unwrap()
}

fn writer_command(book: &Path, first: u32, count: u32) -> Command {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command
        .args(["--exact", "survival::writer", "--ignored", "--nocapture", "--test-threads=1"])
        .env(BOOK, book)
        .env(FIRST, first.to_string())
        .env(COUNT, count.to_string())
        .stdout(Stdio::piped())
        .stderr(Stdio::null());
    command
}

/// Whole lines "kept NUMBER ID".
fn told(text: &str) -> impl Iterator<Item = (u32, i64)> {
    text.split_inclusive('\n').filter(|line| line.ends_with('\n')).filter_map(|line| {
        let mut words = line.split_once("kept ")?.1.split_whitespace();
        Some((words.next()?.parse().ok()?, words.next()?.parse().ok()?))
    })
}

/// Every reading that a writer told of is there, whole.
#[track_caller]
fn all_there(book: &Logbook, kept: &BTreeMap<u32, i64>) {
    let entries: BTreeMap<i64, _> = book.entries().unwrap().into_iter().map(|entry| (entry.id, entry)).collect();
    for (number, id) in kept {
        let entry =
            entries.get(id).unwrap_or_else(|| panic!("reading {number} was told as kept under {id} and is gone"));
        assert_eq!(entry.picture.name, format!("{number}.jpg"));
    }
}

#[test]
fn killed_at_any_moment_it_holds_every_reading_that_was_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.db");
    drop(made_up_book(&path));
    let mut kept: BTreeMap<u32, i64> = BTreeMap::new();
    let (mut kills, mut first, mut round) = (0, 0, 0_u64);
    while kills < KILLS {
        round += 1;
        let mut child = start_writer(&path, first, 100_000);
        let mut out = BufReader::new(child.stdout.take().unwrap());
        // From its first write on; the moments within are spread over some writes, and always the same.
        let mut text = String::new();
        while !text.contains("kept ") {
            let mut line = String::new();
            assert!(out.read_line(&mut line).unwrap() > 0, "the writer ended by itself: {text}");
            text.push_str(&line);
        }
        thread::sleep(Duration::from_micros((round * 7919) % 20_000));
        child.kill().unwrap();
        let status = child.wait().unwrap();
        out.read_to_string(&mut text).unwrap();
        assert!(status.code().is_none(), "it was killed, and did not end: {status}");
        kills += 1;
        kept.extend(told(&text));
        // A reading may have been kept and not yet told; its number is not used again.
        first = kept.keys().last().unwrap() + 2;
        if round % 20 == 0 || kills == KILLS {
            let book = Logbook::open(&path).unwrap();
            all_there(&book, &kept);
            let found = book.check();
            assert!(found.is_sound(), "{found:?}");
        }
    }
    let book = Logbook::open_to_read(&path).unwrap();
    for (number, id) in &kept {
        assert_eq!(book.details(*id).unwrap(), made_up(*number).1);
    }
    let there = book.entries().unwrap().len();
    println!("{kills} writers killed; {} readings told, {there} there", kept.len());
    assert!(there >= kept.len() && there <= kept.len() + kills as usize);
}

#[test]
fn the_program_killed_holds_every_event_it_told() {
    let shop = Shop::new();
    let mut told = Vec::new();
    let mut killed = 0;
    // The moments are spread over a run and half as long again.
    let began = std::time::Instant::now();
    shop.log(&["event", "lens-cleaned"]).ok();
    let step = began.elapsed() * 3 / 2 / PROGRAM_KILLS;
    for round in 0..PROGRAM_KILLS {
        let note = format!("round {round}");
        let mut child = shop
            .command(&["log", "--logbook", "book.db", "event", "other", "--note", &note])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        thread::sleep(step * round);
        child.kill().unwrap();
        let mut text = String::new();
        child.stdout.take().unwrap().read_to_string(&mut text).unwrap();
        if child.wait().unwrap().code().is_none() {
            killed += 1;
        }
        if text.contains("Kept as record") {
            told.push(note);
        }
    }
    let there: Vec<String> = shop.book().events().unwrap().into_iter().filter_map(|event| event.note).collect();
    for note in &told {
        assert!(there.contains(note), "{note}");
    }
    println!("{killed} runs killed, {} told of their event, {} events there", told.len(), there.len());
    assert!(killed > 0 && !told.is_empty());
    assert!(shop.log(&["check"]).ok().contains("Sound"));
}

#[test]
fn two_writers_at_once_both_succeed() {
    const EACH: u32 = 120;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.db");
    drop(made_up_book(&path));
    let go = folder.path().join("go");
    let writers = [0, 1000].map(|first| writer_command(&path, first, EACH).env(GO, &go).spawn().unwrap());
    // Both have the file open, or soon will, before either writes.
    thread::sleep(Duration::from_millis(500));
    std::fs::write(&go, "").unwrap();
    let mut kept = BTreeMap::new();
    for writer in writers {
        let done = writer.wait_with_output().unwrap();
        assert!(done.status.success());
        kept.extend(told(&String::from_utf8(done.stdout).unwrap()));
    }
    let book = Logbook::open_to_read(&path).unwrap();
    assert_eq!(kept.len(), 2 * EACH as usize);
    all_there(&book, &kept);
    assert_eq!(book.entries().unwrap().len(), kept.len());
    // They ran at once: their numbers are mixed.
    let ids: Vec<bool> = {
        let mut by_id: Vec<(i64, u32)> = kept.iter().map(|(number, id)| (*id, *number)).collect();
        by_id.sort_unstable();
        by_id.into_iter().map(|(_, number)| number < 1000).collect()
    };
    assert!(ids.windows(2).filter(|pair| pair[0] != pair[1]).count() > 1);
}

#[test]
fn a_logbook_made_by_several_at_once_is_one() {
    let shop = Shop::empty();
    let names = ["a", "b", "c", "d", "e", "f"];
    let children: Vec<Child> = names
        .iter()
        .map(|name| {
            shop.command(&["log", "--logbook", "book.db", "machine", name])
                .stdout(Stdio::null())
                .stderr(Stdio::piped())
                .spawn()
                .unwrap()
        })
        .collect();
    for child in children {
        let done = child.wait_with_output().unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    }
    let machines = shop.book().machines().unwrap();
    assert_eq!(machines.iter().map(|machine| machine.name.as_str()).collect::<Vec<_>>(), names);
}
