//! Readings over time: verdicts of invented shops, what must not change them, and the command.
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

use std::path::Path;
use std::process::{Command, Output};

use narrows::drift::findings::FindingCode;
use narrows::drift::outlook::Outlook;
use narrows::drift::{Drift, Question, Verdict, drift};
use narrows::logbook::{Details, Entry, Event, EventKind, Lens, Logbook, Machine};
use narrows::report::drift::{chart, json, page, text};
use serde_json::Value;

#[path = "support/shop.rs"]
mod shop;

use shop::Shop;

fn north() -> Question {
    Question { machine: "north".to_owned(), spacer_in_use_mm: Some(8.3), ..Question::default() }
}

fn seen(shop: &Shop) -> Drift {
    let (entries, events) = shop.logbook();
    drift(&entries, &events, &north())
}

/// Shops of every kind.
fn shops() -> Vec<Shop> {
    let mut shops = Vec::new();
    for seed in 0..12 {
        let plain = Shop { seed, ..Shop::default() };
        shops.push(Shop { readings: 2 + seed as usize, ..plain.clone() });
        shops.push(Shop { creep: 0.08, readings: 16, ..plain.clone() });
        shops.push(Shop { step: Some((9, 0.8)), readings: 16, ..plain.clone() });
        shops.push(Shop { refits: vec![(5, 0.6), (14, -0.3)], readings: 17, ..plain.clone() });
        shops.push(Shop { dirt: Some((9, 0.6)), done: vec![(4, EventKind::LensCleaned)], ..plain });
    }
    shops
}

#[test]
fn the_order_of_entry_does_not_matter() {
    for shop in shops() {
        let (entries, events) = shop.logbook();
        let expected = json::drift(&drift(&entries, &events, &north()));
        let mut backwards = (entries.clone(), events.clone());
        backwards.0.reverse();
        backwards.1.reverse();
        assert_eq!(json::drift(&drift(&backwards.0, &backwards.1, &north())), expected);
        let turned = entries.len() / 2;
        backwards.0.rotate_left(turned);
        assert_eq!(json::drift(&drift(&backwards.0, &backwards.1, &north())), expected);
    }
}

#[test]
fn a_constant_series_is_steady_and_never_out() {
    for (count, value) in [(6, 8.3), (8, 0.1), (30, 7.123_456_789)] {
        let (mut entries, events) = Shop { readings: count, ..Shop::default() }.logbook();
        for entry in &mut entries {
            entry.focus.spacer_mm.as_mut().unwrap().value = value;
        }
        let seen = drift(&entries, &events, &north());
        assert_eq!(seen.verdict, Verdict::Steady, "{count} times {value}");
        assert!(seen.readings.points.iter().all(|point| !point.is_out));
    }
}

#[test]
fn adding_a_constant_to_all_spacers_changes_no_verdict() {
    for shop in shops() {
        let (mut entries, events) = shop.logbook();
        let before = drift(&entries, &events, &north());
        for by in [3.0, -1.25] {
            for entry in &mut entries {
                entry.focus.spacer_mm.as_mut().unwrap().value += by;
            }
            let after = drift(&entries, &events, &north());
            assert_eq!(after.verdict.code(), before.verdict.code(), "{shop:?}");
            let out = |seen: &Drift| seen.readings.points.iter().map(|point| point.is_out).collect::<Vec<_>>();
            assert_eq!(out(&after), out(&before));
            for entry in &mut entries {
                entry.focus.spacer_mm.as_mut().unwrap().value -= by;
            }
        }
    }
}

#[test]
fn two_readings_have_no_trend_and_say_what_is_needed() {
    let two = seen(&Shop { readings: 2, ..Shop::default() });
    assert_eq!(two.verdict, Verdict::TooFew { have: 2, needed: 6 });
    assert!(two.judged[0].trend.is_none() && !two.judged[0].has_limits());
    let told = text::drift(&two);
    assert!(told.contains("4 more strips"), "{told}");
    let none = drift(&[], &[], &north());
    assert_eq!(none.verdict, Verdict::TooFew { have: 0, needed: 6 });
    assert!(none.findings.is_empty() && chart::draw_svg(&none).is_none());
}

#[test]
fn limits_are_drawn_from_eight_readings_on() {
    for (readings, has_limits) in [(7, false), (8, true)] {
        let seen = seen(&Shop { readings, ..Shop::default() });
        assert_eq!(seen.judged[0].has_limits(), has_limits);
        let told: Value = serde_json::from_str(&json::drift(&seen)).unwrap();
        assert_eq!(told["limits"]["upper_mm"].is_number(), has_limits);
    }
}

#[test]
fn a_refit_that_moves_the_focus_is_named() {
    let seen = seen(&Shop { readings: 15, refits: vec![(11, 0.8)], ..Shop::default() });
    let Verdict::Moved(moved) = &seen.verdict else { panic!("{:?}", seen.verdict) };
    assert_eq!(moved.done[0].event.unwrap().1, EventKind::LensRefitted);
    let [least, most] = moved.change.interval(0.99);
    assert!(least < 0.8 && 0.8 < most, "{least} to {most}");
    assert_eq!(moved.readings, [11, 12]);
    assert!(text::drift(&seen).contains("lens taken out and refitted"));
    assert_eq!(seen.findings[0].code, FindingCode::FocusMoved);
    // Eight readings later the refit is history, and what came after it is the baseline.
    let later = self::seen(&Shop { readings: 20, refits: vec![(11, 0.8)], ..Shop::default() });
    assert_eq!(later.verdict, Verdict::Steady);
    assert_eq!(later.shifts.len(), 1);
    // As one series it moved.
    let (entries, events) = Shop { readings: 20, refits: vec![(11, 0.8)], ..Shop::default() }.logbook();
    let whole = drift(&entries, &events, &Question { over_all: true, ..north() });
    assert!(matches!(&whole.verdict, Verdict::Moved(moved) if moved.done.len() == 1), "{:?}", whole.verdict);
}

#[test]
fn a_move_that_nobody_wrote_down_lies_between_two_dates() {
    let mut hits = 0;
    for seed in 0..20 {
        let seen = seen(&Shop { seed, readings: 16, step: Some((10, 0.85)), ..Shop::default() });
        let Verdict::Moved(moved) = &seen.verdict else { panic!("{seed}: {:?}", seen.verdict) };
        assert!(moved.done.is_empty());
        hits += usize::from(moved.readings == [10, 11]);
        let [least, most] = moved.change.interval(0.999);
        assert!(least < 0.85 && 0.85 < most, "{seed}: {least} to {most}");
    }
    assert!(hits >= 17, "placed right in {hits} of 20");
}

#[test]
fn one_reading_that_is_off_and_comes_back_is_no_move() {
    let (mut entries, events) = Shop { readings: 14, ..Shop::default() }.logbook();
    entries[6].focus.spacer_mm.as_mut().unwrap().value += 1.2;
    let seen = drift(&entries, &events, &north());
    assert_eq!(seen.verdict, Verdict::Steady);
    assert_eq!(seen.readings.points.iter().map(|point| point.is_out).filter(|out| *out).count(), 1);
    assert!(text::drift(&seen).contains("outside the limits"));
}

#[test]
fn a_last_reading_outside_the_limits_asks_for_another_strip() {
    let (mut entries, events) = Shop { readings: 14, ..Shop::default() }.logbook();
    entries[13].focus.spacer_mm.as_mut().unwrap().value += 1.2;
    let seen = drift(&entries, &events, &north());
    assert!(matches!(&seen.verdict, Verdict::Moved(moved) if moved.rests_on_one), "{:?}", seen.verdict);
    assert!(text::drift(&seen).contains("burn a second strip"));
}

/// 0.06 mm a month from 8.3 mm: the slack above the block is 0.40 mm, so the focus leaves it after 6.7 months.
#[test]
fn the_foretold_range_holds_the_truth() {
    let mut held = 0;
    let mut told = 0;
    for seed in 0..60 {
        let shop = Shop {
            seed,
            readings: 18,
            every_days: 8.0,
            creep: 0.06,
            repeatability: 0.05,
            gauging: 0.04,
            ..Shop::default()
        };
        let (entries, events) = shop.logbook();
        let seen = drift(&entries, &events, &north());
        if let Verdict::Drifting(Outlook::Leaves { earliest, latest }) = seen.verdict {
            told += 1;
            let truth = 1_736_121_600 + (0.40 / 0.06 * 365.25 / 12.0 * 86_400.0) as i64;
            let day = 86_400;
            let is_held = earliest.as_second() - day <= truth && latest.is_none_or(|at| truth <= at.as_second() + day);
            held += usize::from(is_held);
        }
    }
    assert!(told >= 20, "foretold {told} of 60");
    assert!(held as f64 >= 0.85 * told as f64, "{held} of {told} ranges hold the truth");
}

#[test]
fn a_creeping_focus_tells_when_it_leaves() {
    let seen = seen(&Shop { readings: 18, creep: 0.1, seed: 3, ..Shop::default() });
    assert_eq!(seen.verdict, Verdict::Drifting(Outlook::Outside));
    assert_eq!(seen.is_in_slack, Some(false));
    let trend = seen.judged[0].trend.unwrap();
    let [least, slope, most] = trend.per_month();
    assert!(least < 0.1 && 0.1 < most && (slope - 0.1).abs() < 0.03, "{least} {slope} {most}");
}

#[test]
fn each_trouble_is_recognised_and_nothing_else() {
    let codes = |change: &dyn Fn(&mut Entry)| {
        let (mut entries, events) = Shop::default().logbook();
        change(entries.last_mut().unwrap());
        let seen = drift(&entries, &events, &north());
        seen.findings.iter().map(|finding| finding.code).collect::<Vec<_>>()
    };
    assert_eq!(codes(&|_| ()), []);
    let line =
        |entry: &mut Entry, change: &dyn Fn(&mut narrows::logbook::LineFacts)| change(entry.line.as_mut().unwrap());
    assert_eq!(
        codes(&|e| line(e, &|l| {
            l.visible_mm = Some([28.0, 72.0]);
            l.contrast = 0.6;
        })),
        [FindingCode::BurnWeaker]
    );
    assert_eq!(codes(&|e| e.focus.kerf_mm.as_mut().unwrap().value *= 1.3), [FindingCode::SpotWider]);
    assert_eq!(
        codes(&|e| line(e, &|l| {
            l.straightness_mm = Some(0.06);
            l.period_mm = Some(8.06);
        })),
        [FindingCode::LineShaky]
    );
    assert_eq!(codes(&|e| line(e, &|l| l.sides_mm = Some([9.0, 13.0]))), [FindingCode::SidesUnequal]);
    assert_eq!(
        codes(&|e| line(e, &|l| l.soot_side = Some(narrows::logbook::SootSide::Left))),
        [FindingCode::SidesUnequal]
    );
    assert_eq!(codes(&|e| e.burn.power = Some("30 %".to_owned())), [FindingCode::NotComparable]);
}

#[test]
fn a_period_names_the_parts_that_have_it() {
    let (mut entries, events) = Shop::default().logbook();
    let line = entries.last_mut().unwrap().line.as_mut().unwrap();
    line.straightness_mm = Some(0.06);
    // Along the strip; 8.00 mm of travel.
    line.period_mm = Some(8.058);
    let told = text::drift(&drift(&entries, &events, &north()));
    assert!(told.contains("every 8.0 mm of travel") && told.contains("8 mm lead"), "{told}");
    assert!(told.contains("Machine off and isolated") && told.contains("poisonous"), "{told}");
}

#[test]
fn a_new_tube_starts_the_lines_width_anew() {
    let (mut entries, mut events) = Shop { done: vec![(11, EventKind::TubeReplaced)], ..Shop::default() }.logbook();
    entries[11].focus.kerf_mm.as_mut().unwrap().value *= 1.4;
    let codes = |events: &[Event]| {
        drift(&entries, events, &north()).findings.iter().map(|finding| finding.code).collect::<Vec<_>>()
    };
    assert_eq!(codes(&events), [FindingCode::NotComparable]);
    events.clear();
    assert_eq!(codes(&events), [FindingCode::SpotWider]);
}

#[test]
fn charts_and_pages_are_whole_with_three_readings_and_with_three_hundred() {
    for readings in [1, 3, 300] {
        let shop = Shop { readings, every_days: 6.0, refits: vec![(2, 0.3)], ..Shop::default() };
        let seen = seen(&shop);
        let svg = chart::draw_svg(&seen).unwrap();
        let told = letters(&svg);
        assert!(told.contains("block that fits (mm)") && told.contains("line width (mm)"));
        let picture = chart::draw_png(&seen).unwrap();
        assert_eq!([picture.width(), picture.height()], chart::SHEET);
        let page = page::page(&seen);
        assert_eq!(page.matches("<tr>").count(), 1 + readings, "a row for the head and each reading");
        assert!(page.contains("<svg") && page.contains("never leave a burning machine"));
        // Nothing is fetched: the only address is the name of SVG's own language.
        let addresses = page.matches("http").count();
        assert_eq!(addresses, page.matches("http://www.w3.org/2000/svg").count());
        assert!(!page.contains("<script") && !page.contains("src=") && !page.contains("url("));
    }
}

/// The letters of an SVG, which are what stands between its tags.
fn letters(svg: &str) -> String {
    svg.split('>').filter_map(|piece| piece.split('<').next()).collect::<Vec<_>>().join(" ")
}

#[test]
fn markup_in_names_stays_text() {
    let (mut entries, mut events) = Shop { refits: vec![(3, 0.0)], ..Shop::default() }.logbook();
    entries[5].picture.name = "<b>&\u{1b}[31m.jpg".to_owned();
    events[0].note = Some("<script>alert(1)</script>".to_owned());
    let page = page::page(&drift(&entries, &events, &north()));
    assert!(page.contains("&lt;b&gt;&amp;") && !page.contains('\u{1b}') && !page.contains("<script"));
}

/// A folder with a logbook of the invented shop.
struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new(shop: &Shop) -> Self {
        let bench = Self { folder: tempfile::tempdir().unwrap() };
        let mut book = Logbook::open_or_create(&bench.folder.path().join("log.db")).unwrap();
        let now = jiff::Timestamp::UNIX_EPOCH;
        for name in ["north", "south"] {
            book.say_machine(&Machine { name: name.to_owned(), ..Machine::default() }, now).unwrap();
        }
        let mut lens = Lens { name: "two-inch".to_owned(), ..Lens::default() };
        lens.fitting.spacer_in_use_mm = Some(8.3);
        book.say_lens(&lens, now).unwrap();
        let (entries, events) = shop.logbook();
        for entry in &entries {
            book.keep(entry, &Details::default(), true).unwrap();
        }
        for event in &events {
            book.add_event(event).unwrap();
        }
        bench
    }

    fn run(&self, args: &[&str]) -> Output {
        let args = [&["drift", "--logbook", "log.db"], args].concat();
        Command::new(env!("CARGO_BIN_EXE_narrows")).current_dir(self.folder.path()).args(args).output().unwrap()
    }

    fn has(&self, name: &str) -> bool {
        Path::new(&self.folder.path().join(name)).exists()
    }
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn error(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

#[test]
fn the_command_tells_the_verdict_and_writes_chart_and_page() {
    let bench = Bench::new(&Shop { readings: 14, refits: vec![(3, 0.5)], ..Shop::default() });
    let ran = bench.run(&["--machine", "north", "--chart", "drift.svg", "--report", "drift.html"]);
    assert_eq!(ran.status.code(), Some(0), "{}", error(&ran));
    let told = out(&ran);
    assert!(told.contains("the focus is steady") && told.contains("what it rests on"), "{told}");
    assert!(told.contains("8.3 mm; serves while the focus lies between 7.85 and 8.70 mm"), "{told}");
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
    assert!(bench.has("drift.svg") && bench.has("drift.html"));
    let ran = bench.run(&["--machine", "NORTH", "--lens", "two-inch", "--axis", "X", "--json", "--chart", "drift.png"]);
    assert_eq!(ran.status.code(), Some(0), "{}", error(&ran));
    let line: Value = serde_json::from_str(&out(&ran)).unwrap();
    assert_eq!(line["schema"], "narrows.drift/1");
    assert_eq!(line["verdict"], "steady");
    assert_eq!(line["readings"].as_array().unwrap().len(), 14);
    assert_eq!(line["spacer_in_use_mm"], 8.3);
    assert!(image::open(bench.folder.path().join("drift.png")).is_ok());
}

#[test]
fn too_few_readings_end_with_status_one() {
    let bench = Bench::new(&Shop { readings: 3, ..Shop::default() });
    let ran = bench.run(&["--machine", "north", "--quiet"]);
    assert_eq!(ran.status.code(), Some(1));
    assert!(out(&ran).contains("too few readings to say") && ran.stderr.is_empty());
    let ran = bench.run(&["--machine", "south", "--json"]);
    assert_eq!(ran.status.code(), Some(1));
    assert_eq!(serde_json::from_str::<Value>(&out(&ran)).unwrap()["verdict"], "too_few");
    // With nothing to draw the verdict is still told.
    let ran = bench.run(&["--machine", "south", "--chart", "south.svg"]);
    assert!(out(&ran).contains("too few") && !bench.has("south.svg"));
    assert_eq!(ran.status.code(), Some(2));
}

#[test]
fn what_cannot_be_served_says_so_in_two_lines() {
    let bench = Bench::new(&Shop { readings: 3, ..Shop::default() });
    let cases: [(&[&str], &str); 8] = [
        (&[], "several machines"),
        (&["--machine", "east"], "east"),
        (&["--machine", "north", "--lens", "five-inch"], "five-inch"),
        (&["--machine", "north", "--chart", "drift.pdf"], "drift.pdf"),
        (&["--machine", "north", "--report", "nowhere/drift.html"], "nowhere/drift.html"),
        (&["--machine", "north", "--since", "last spring"], "last spring"),
        (&["--machine", "north", "--spacer-in-use-mm", "7,5"], "7,5"),
        (&["--machine", "north", "--colour"], "--colour"),
    ];
    for (args, named) in cases {
        let ran = bench.run(args);
        assert_eq!(ran.status.code(), Some(2), "{args:?}");
        let told = error(&ran);
        let lines: Vec<&str> = told.lines().collect();
        assert_eq!(lines.len(), 2, "{told}");
        assert!(lines[0].starts_with("error: ") && lines[0].contains(named), "{told}");
        assert!(lines[1].starts_with("hint: "), "{told}");
        assert!(ran.stdout.is_empty());
    }
    let elsewhere = Command::new(env!("CARGO_BIN_EXE_narrows"))
        .args(["drift", "--logbook", "/nonexistent/log.db"])
        .output()
        .unwrap();
    assert_eq!(elsewhere.status.code(), Some(2), "{}", error(&elsewhere));
}
