//! The demo logbook that is shipped.

use std::path::Path;

use narrows::logbook::EventKind;
use narrows::logbook::baseline::{Series, starts};

use super::support::Shop;

fn shop() -> Shop {
    let shop = Shop::empty();
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/logbook/shop.jsonl");
    std::fs::copy(demo, shop.path("shop.jsonl")).unwrap();
    shop.log(&["import", "shop.jsonl"]).ok();
    shop
}

#[test]
fn it_tells_of_eighteen_months_two_machines_and_three_lenses() {
    let shop = shop();
    let book = shop.book();
    let names: Vec<String> = book.machines().unwrap().into_iter().map(|machine| machine.name).collect();
    assert_eq!(names, ["north", "south"]);
    assert_eq!(book.lenses().unwrap().len(), 3);
    let entries = book.entries().unwrap();
    let months = (entries.last().unwrap().at().as_second() - entries[0].at().as_second()) / 86_400 / 30;
    assert!((17..=19).contains(&months), "{months}");
    let events = book.events().unwrap();
    for kind in [EventKind::LensRefitted, EventKind::LensCleaned] {
        assert!(events.iter().any(|event| event.kind == kind));
    }
    assert!(entries.iter().any(|entry| !entry.is_current()) && entries.iter().any(|entry| entry.refusal.is_some()));
    assert!(shop.log(&["check"]).ok().contains("Sound"));
    // As shipped, byte for byte.
    assert_eq!(shop.log(&["export"]).ok(), std::fs::read_to_string(shop.path("shop.jsonl")).unwrap());
}

#[test]
fn its_baselines_stand_at_its_refits() {
    let book = shop().book();
    let (entries, events) = (book.entries().unwrap(), book.events().unwrap());
    let lens = entries.iter().find(|entry| entry.machine == "south").unwrap().lens.clone();
    let refits = events.iter().filter(|event| event.machine == "south" && event.kind.starts_focus()).count();
    assert_eq!(starts(Series::Focus, "south", lens.as_deref(), &entries, &events).len(), refits);
}

#[test]
fn a_kept_reading_of_it_can_be_put_right() {
    let shop = shop();
    let book = shop.book();
    let entry = book
        .entries()
        .unwrap()
        .into_iter()
        .find(|entry| entry.focus.spacer_mm.is_some() && entry.is_current())
        .unwrap();
    drop(book);
    let same = shop.log(&["correct", &entry.id.to_string(), "--passes", "1", "--json"]).json();
    let spacer = entry.focus.spacer_mm.unwrap();
    assert!((same[0]["spacer_mm"]["value"].as_f64().unwrap() - spacer.value).abs() < 1e-6);
    assert!(
        (same[0]["spacer_mm"]["standard_uncertainty"].as_f64().unwrap() - spacer.standard_uncertainty).abs() < 1e-6
    );
}
