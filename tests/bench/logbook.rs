//! How long it takes to keep, open and list thousands of readings. Printed, not judged.

use std::time::{Duration, Instant};

use jiff::Timestamp;
use narrows::cautions::{Caution, CautionCode};
use narrows::estimate::Estimate;
use narrows::logbook::{Details, Entry, FocusFacts, LineFacts, Logbook, Machine, Picture, Record, StationFacts, When};
use narrows::report::logbook::list;
use narrows::report::rounding::Units;

const COUNTS: [u32; 2] = [1000, 5000];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    // cargo bench hands its own flags on, and cargo test asks for nothing but a sign of life.
    let counts: &[u32] = if std::env::args().any(|arg| arg == "--test") { &[10] } else { &COUNTS };
    for count in counts {
        let folder = tempfile::tempdir()?;
        let path = folder.path().join("book.db");
        let mut book = Logbook::open_or_create(&path)?;
        book.say_machine(&Machine { name: "north".into(), ..Machine::default() }, Timestamp::UNIX_EPOCH)?;
        let began = Instant::now();
        for number in 0..*count {
            let (entry, details) = reading(number)?;
            book.keep(&entry, &details, false)?;
        }
        let each = began.elapsed() / *count;
        drop(book);
        let size = std::fs::metadata(&path)?.len() as f64 / 1e6;
        let (open, book) = timed(|| Logbook::open_to_read(&path))?;
        let (read, entries) = timed(|| book.entries())?;
        let records: Vec<Record> = entries.into_iter().map(|entry| Record::Reading(Box::new(entry))).collect();
        let (told, text) = timed(|| Ok::<_, std::fmt::Error>(list(&records, Units::Millimetres)))?;
        let (one, _) = timed(|| book.details(i64::from(*count)))?;
        println!(
            "{count} readings, {size:.0} MB: keep one {each:.1?} (on the disk before it returns), open {open:.1?}, read all \
             {read:.1?}, write the list {told:.1?} ({} lines), details of one {one:.1?}",
            text.lines().count()
        );
    }
    Ok(())
}

fn timed<T, E>(work: impl FnOnce() -> Result<T, E>) -> Result<(Duration, T), E> {
    let began = Instant::now();
    work().map(|done| (began.elapsed(), done))
}

/// As large as a real one: 300 places and an overlay of 40 kB.
fn reading(number: u32) -> Result<(Entry, Details), jiff::Error> {
    let some = Some(Estimate::new(7.0 + f64::from(number % 50) / 100.0, 0.1));
    let entry = Entry {
        when: When::from(Timestamp::from_second(1_600_000_000 + 7200 * i64::from(number))?),
        machine: "north".into(),
        picture: Picture {
            name: format!("{number}.jpg"),
            sha256: Some(format!("{number:064x}")),
            ..Picture::default()
        },
        focus: FocusFacts {
            position_mm: some,
            height_mm: some,
            spacer_mm: some,
            change_mm: some,
            focal_distance_mm: some,
            kerf_mm: some,
            slack: None,
        },
        line: Some(LineFacts { visible_mm: Some([2.0, 147.0]), contrast: 0.6, ..LineFacts::default() }),
        cautions: vec![Caution::new(CautionCode::StripBows, "the strip bows by 0.3 mm in its middle")],
        version: "0.1.0".into(),
        ..Entry::default()
    };
    let station = |place: u32| StationFacts {
        position_mm: Some(f64::from(place) / 2.0),
        kerf_mm: Some(0.2),
        along_px: f64::from(place) * 11.8113,
        kerf_px: 4.0213,
        kerf_u_px: 0.0512,
        contrast: 0.6123,
        used: true,
    };
    let details = Details {
        stations: (0..300).map(station).collect(),
        overlay_jpeg: Some((0..40_000_u32).map(|byte| (byte.wrapping_mul(number + 7) >> 5) as u8).collect()),
        ..Details::default()
    };
    Ok((entry, details))
}
