//! Simulated shops: how often a steady focus raises a false alarm, and how soon a real change is seen. Printed, not judged.
//!
//!     cargo bench --bench drift                       the figures
//!     cargo bench --bench drift -- --charts FOLDER    charts of shops with 3, 20 and 300 readings, to be looked at

#[path = "../support/shop.rs"]
mod shop;

use std::path::Path;

use narrows::drift::{Code, Drift, Question, Verdict, drift};
use narrows::logbook::{Entry, Event, EventKind};
use narrows::report::drift::{chart, page, text};
use shop::Shop;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [] => {
            figures();
            time();
        }
        ["--time"] => time(),
        ["--charts", folder] => charts(Path::new(folder))?,
        _ => return Err(format!("unknown: {}", arguments.join(" ")).into()),
    }
    Ok(())
}

const SHOPS: u64 = 300;

fn north() -> Question {
    Question { machine: "north".to_owned(), spacer_in_use_mm: Some(8.3), ..Question::default() }
}

/// What the shop would have seen after each of its readings.
fn as_seen(shop: &Shop) -> impl Iterator<Item = Drift> + use<> {
    let (entries, events): (Vec<Entry>, Vec<Event>) = shop.logbook();
    (1..=entries.len()).map(move |count| {
        let until = entries[count - 1].at();
        let known: Vec<Event> = events.iter().filter(|event| event.at() <= until).cloned().collect();
        drift(&entries[..count], &known, &north())
    })
}

fn figures() {
    println!(
        "{SHOPS} shops each; repeatability 0.08 mm, gauging 0.09 mm, height slack 0.85 mm (0.45 below, 0.40 above)\n"
    );
    println!("false alarms a year: the focus never moved, and the verdict became moved or drifting");
    println!("{:<34} {:>8} {:>8} {:>8}", "readings a year", 6, 12, 20);
    /// A kind of shop: what it is called, its readings for a seed, and a figure of its own.
    type Kind = (&'static str, fn(usize) -> Vec<(usize, f64)>, f64);
    let kinds: [Kind; 3] = [
        ("nothing done", |_| Vec::new(), 0.09),
        ("lens refitted twice a year", |a_year| (1..6).map(|n| (n * a_year / 2, 0.0)).collect(), 0.09),
        ("scatter as stated (no gauging)", |_| Vec::new(), 0.0),
    ];
    for (name, refits, gauging) in kinds {
        let rates = [6, 12, 20].map(|a_year| {
            let shop = |seed| Shop {
                seed,
                gauging,
                readings: 3 * a_year,
                every_days: 365.25 / a_year as f64,
                refits: refits(a_year),
                ..Shop::default()
            };
            let alarms: usize = (0..SHOPS).map(|seed| alarms(&shop(seed))).sum();
            alarms as f64 / (3 * SHOPS) as f64
        });
        println!("{name:<34} {:>8.3} {:>8.3} {:>8.3}", rates[0], rates[1], rates[2]);
    }

    println!(
        "\nreadings until a change is seen (the first with it counts as 1): median, 90th percentile, seen within 12"
    );
    let after = 10;
    let step = |by: f64| Shop { readings: after + 12, step: Some((after, by)), ..Shop::default() };
    for (name, by) in [
        ("step of one height slack, 0.85 mm", 0.85),
        ("step of half of it, 0.42 mm", 0.425),
        ("step of a quarter, 0.21 mm", 0.2125),
    ] {
        let mut seen: Vec<usize> = (0..SHOPS)
            .map(|seed| first_seen(&Shop { seed, ..step(by) }, after, |d| d.verdict.code() == Code::Moved))
            .collect();
        tell(name, &mut seen);
    }
    for (name, by) in [("refit that moves by one slack", 0.85), ("refit that moves by half of it", 0.425)] {
        let shop = |seed| Shop { seed, readings: after + 12, refits: vec![(after, by)], ..Shop::default() };
        let mut seen: Vec<usize> = (0..SHOPS)
            .map(|seed| {
                first_seen(&shop(seed), after, |d| matches!(&d.verdict, Verdict::Moved(m) if !m.done.is_empty()))
            })
            .collect();
        tell(name, &mut seen);
    }
    println!(
        "\na focus that creeps from the first reading on, twelve readings a year: readings until drifting is said"
    );
    for creep in [0.1, 0.05, 0.025] {
        let shop = |seed| Shop { seed, readings: 30, creep, ..Shop::default() };
        let mut seen: Vec<usize> =
            (0..SHOPS).map(|seed| first_seen(&shop(seed), 0, |d| d.verdict.code() == Code::Drifting)).collect();
        tell(&format!("{creep} mm a month"), &mut seen);
    }
    println!("\nand the verdict on a whole year of it (share of shops)");
    for creep in [0.1, 0.05, 0.025] {
        let codes: Vec<Code> = (0..SHOPS)
            .filter_map(|seed| as_seen(&Shop { seed, readings: 12, creep, ..Shop::default() }).last())
            .map(|d| d.verdict.code())
            .collect();
        let share = |code| 100.0 * codes.iter().filter(|c| **c == code).count() as f64 / codes.len() as f64;
        println!(
            "{:<34} drifting {:>3.0} %, moved {:>3.0} %, steady {:>3.0} %",
            format!("{creep} mm a month"),
            share(Code::Drifting),
            share(Code::Moved),
            share(Code::Steady)
        );
    }
    println!(
        "\ndirt that takes a third of the line's reach and some of its darkness: strips until burn_weaker is said"
    );
    let shop = |seed| Shop { seed, readings: 22, dirt: Some((10, 0.67)), ..Shop::default() };
    let has = |d: &Drift| d.findings.iter().any(|f| f.code == narrows::drift::findings::FindingCode::BurnWeaker);
    let mut seen: Vec<usize> = (0..SHOPS).map(|seed| first_seen(&shop(seed), 10, has)).collect();
    tell("burn weaker", &mut seen);
    let looks: usize = (0..SHOPS)
        .map(|seed| {
            as_seen(&Shop { seed, readings: 20, ..Shop::default() })
                .filter(|d| !d.findings.iter().all(|f| f.code == narrows::drift::findings::FindingCode::FocusMoved))
                .count()
        })
        .sum();
    println!(
        "something to check though nothing was wrong with the line: once in {:.0} strips",
        (20 * SHOPS) as f64 / looks.max(1) as f64
    );
}

/// Wall time of judging and drawing one long stretch.
fn time() {
    println!("\nwall time of one stretch: judged, and drawn as SVG");
    for readings in [300, 3000] {
        let (entries, events) = Shop { readings, every_days: 3.0, ..Shop::default() }.logbook();
        let begun = std::time::Instant::now();
        let seen = drift(&entries, &events, &north());
        let judged = begun.elapsed();
        let drawn = chart::draw_svg(&seen).map_or(0, |svg| svg.len());
        println!("{readings:>5} readings: {judged:.0?}, {:.0?} ({} kB)", begun.elapsed() - judged, drawn / 1000);
    }
}

/// How often a verdict of moved or drifting set in.
fn alarms(shop: &Shop) -> usize {
    let mut before = false;
    let mut count = 0;
    for seen in as_seen(shop) {
        let is_alarm = matches!(seen.verdict.code(), Code::Moved | Code::Drifting);
        count += usize::from(is_alarm && !before);
        before = is_alarm;
    }
    count
}

/// Readings from the change on until it is said; 99 where it never is.
fn first_seen(shop: &Shop, after: usize, is_seen: impl Fn(&Drift) -> bool) -> usize {
    as_seen(shop).skip(after).position(|seen| is_seen(&seen)).map_or(99, |at| at + 1)
}

fn tell(name: &str, seen: &mut [usize]) {
    seen.sort_unstable();
    let at = |share: f64| {
        let number = seen[((seen.len() - 1) as f64 * share).round() as usize];
        if number == 99 { "–".to_owned() } else { number.to_string() }
    };
    let within = seen.iter().filter(|n| **n <= 12).count() as f64 / seen.len() as f64;
    println!("{name:<34} {:>4} {:>4} {:>4.0} %", at(0.5), at(0.9), 100.0 * within);
}

fn charts(folder: &Path) -> Result<(), Box<dyn std::error::Error>> {
    let shops = [
        ("three", Shop { readings: 3, ..Shop::default() }),
        (
            "creeping",
            Shop { readings: 20, creep: 0.04, done: vec![(8, EventKind::LensCleaned)], seed: 4, ..Shop::default() },
        ),
        (
            "moved",
            Shop {
                readings: 24,
                step: Some((19, 0.7)),
                refits: vec![(9, -0.4)],
                done: vec![(5, EventKind::LensCleaned), (14, EventKind::MirrorsAligned)],
                dirt: Some((22, 0.6)),
                ..Shop::default()
            },
        ),
        (
            "many",
            Shop {
                readings: 300,
                every_days: 6.0,
                refits: (1..12).map(|n| (n * 25, if n % 2 == 0 { 0.4 } else { -0.35 })).collect(),
                done: (0..25).map(|n| (n * 12 + 5, EventKind::ALL[1 + n % 6])).collect(),
                ..Shop::default()
            },
        ),
    ];
    for (name, shop) in shops {
        let (entries, events) = shop.logbook();
        let seen = drift(&entries, &events, &north());
        println!("{name}\n{}", text::drift(&seen));
        if let Some(picture) = chart::draw_png(&seen) {
            picture.save(folder.join(format!("{name}.png")))?;
        }
        std::fs::write(folder.join(format!("{name}.html")), page::page(&seen))?;
    }
    Ok(())
}
