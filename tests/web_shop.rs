//! The rest of the page's path: a reading kept, events, corrections, drift, a stack from stock, a plan; and what of it is refused.
#![cfg(feature = "web")]
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

use axum::http::StatusCode;
use narrows::drift::{Question, drift};
use narrows::estimate::Estimate;
use narrows::logbook::{Logbook, fitting};
use narrows::report;
use narrows::report::spacer_drawings::{self, Label};
use narrows::report::stroke_svg::svg;
use narrows::spacer::{StackOptions, StepGauge, StepGaugeOptions, Stock, Wanted, stacks};
use narrows::web::Limits;
use serde_json::{Value, json};
use tempfile::TempDir;

use page::Page;

#[path = "support/page.rs"]
mod page;

const SHOP: &str = include_str!("../fixtures/logbook/shop.jsonl");

fn page_in(folder: &TempDir) -> Page {
    Page::keeping(false, Limits::default(), Some(folder.path().join("logbook.db")))
}

/// The demo strip, read.
async fn read(page: &Page) -> String {
    let (id, fields) = page.demo().await;
    let answer = page.post(&format!("/api/pictures/{id}/read"), json!({ "fields": fields })).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text());
    id
}

#[tokio::test]
async fn a_reading_is_kept_corrected_and_withdrawn() {
    let folder = tempfile::tempdir().unwrap();
    let page = page_in(&folder);
    assert_eq!(page.get("/api/logbook").await.json()["records"], json!([]));
    let id = read(&page).await;
    let keep = format!("/api/pictures/{id}/keep");
    let unknown = page.post(&keep, json!({ "machine": "north" })).await;
    assert_eq!((unknown.status, unknown.code().as_str()), (StatusCode::BAD_REQUEST, "logbook"), "{}", unknown.text());
    let added = page.post("/api/logbook/machines", json!({ "name": "north", "spacer_in_use_mm": 8.0 })).await;
    assert_eq!(added.status, StatusCode::NO_CONTENT, "{}", added.text());
    let kept = page
        .post(&keep, json!({ "machine": "North", "lens": "two inch", "when": "2026-03-01", "note": "first" }))
        .await
        .json();
    assert_eq!(kept["already"], false, "{kept}");
    let number = kept["id"].as_i64().unwrap();
    // The same picture is noticed, and kept once more only where that is said.
    assert_eq!(page.post(&keep, json!({ "machine": "north", "when": "2026-03-01" })).await.json()["already"], true);
    assert_eq!(
        page.post(&keep, json!({ "machine": "north", "when": "2026-03-01", "again": true })).await.json()["already"],
        false
    );
    let path = folder.path().join("logbook.db");
    let entry = Logbook::open_to_read(&path).unwrap().entry(number).unwrap();
    // The digest is that of the file itself (reference: the logbook's own reading of the file).
    let digest = narrows::logbook::sha256_of_file(std::path::Path::new("fixtures/north-scan.jpg")).unwrap();
    assert_eq!((entry.picture.sha256.as_deref(), entry.machine.as_str()), (Some(digest.as_str()), "north"));
    // The form is filled from it, with the block of today.
    page.post("/api/logbook/machines", json!({ "name": "north", "spacer_in_use_mm": 8.5 })).await;
    let fields = page.get("/api/logbook/machines/north/fields").await.json()["fields"].clone();
    assert_eq!((&fields["travel_mm"], &fields["spacer_in_use_mm"]), (&json!("90"), &json!("8.5")), "{fields}");
    assert_eq!(fields["dpi"], Value::Null);
    // One record, corrected and withdrawn.
    let record = page.get(&format!("/api/logbook/records/{number}")).await.json();
    assert!(
        record["told"].as_str().unwrap().contains("8.6 mm, give or take") && record["has_overlay"] == true,
        "{record}"
    );
    let overlay = page.get(&format!("/api/logbook/records/{number}/overlay.jpg")).await;
    assert!(overlay.body.starts_with(b"\xff\xd8"));
    let correct = format!("/api/logbook/records/{number}/correct");
    assert_eq!(page.post(&correct, json!({})).await.code(), "nothing_to_correct");
    let corrected = page.post(&correct, json!({ "note": "burned by the window" })).await.json()["id"].as_i64().unwrap();
    assert_ne!(corrected, number);
    let withdraw = format!("/api/logbook/records/{corrected}/withdraw");
    assert_eq!(page.post(&withdraw, json!({ "reason": " " })).await.code(), "no_reason");
    assert_eq!(page.post(&withdraw, json!({ "reason": "wrong strip" })).await.status, StatusCode::NO_CONTENT);
    assert_eq!(page.post(&withdraw, json!({ "reason": "again" })).await.status, StatusCode::BAD_REQUEST);
    let numbers = async |query: &str| {
        let book = page.get(&format!("/api/logbook?{query}")).await.json();
        book["records"].as_array().unwrap().iter().map(|r| r["id"].as_i64().unwrap()).collect::<Vec<_>>()
    };
    assert_eq!(numbers("machine=north").await.len(), 1);
    assert_eq!(numbers("all=true").await.len(), 3);
    // Events.
    let event = json!({ "machine": "north", "kind": "lens_refitted", "when": "2026-03-02", "lens": "two inch", "tube_mark": "3" });
    assert_eq!(page.post("/api/logbook/events", event).await.status, StatusCode::OK);
    assert_eq!(numbers("kind=events").await.len(), 1);
    for (bad, code) in [
        (json!({ "machine": "north", "kind": "polished" }), "not_understood"),
        (json!({ "machine": "south", "kind": "other" }), "logbook"),
        (json!({ "machine": "north", "kind": "other", "when": "2199-01-01" }), "when"),
        (json!({ "machine": "north", "kind": "other", "when": "yesterday" }), "when"),
        (json!({ "machine": "north", "kind": "other", "note": "x".repeat(3000) }), "note"),
    ] {
        let answer = page.post("/api/logbook/events", bad).await;
        assert_eq!((answer.status, answer.code().as_str()), (StatusCode::BAD_REQUEST, code), "{}", answer.text());
        assert!(!answer.text().contains("narrows log"), "{}", answer.text());
    }
    assert_eq!(page.get("/api/logbook/records/99").await.status, StatusCode::BAD_REQUEST);
    // What is exported is what the library exports.
    let mut wanted = Vec::new();
    Logbook::open_to_read(&path).unwrap().export(narrows::logbook::Form::JsonLines, &mut wanted).unwrap();
    assert_eq!(page.get("/api/logbook/export?form=jsonl").await.body, wanted);
    assert_eq!(page.get("/api/logbook/export?form=xml").await.code(), "form");
}

#[tokio::test]
async fn a_picture_that_was_not_read_is_not_kept_and_without_a_logbook_nothing_is() {
    let folder = tempfile::tempdir().unwrap();
    let page = page_in(&folder);
    let (id, _) = page.demo().await;
    let answer = page.post(&format!("/api/pictures/{id}/keep"), json!({ "machine": "north" })).await;
    assert_eq!((answer.status, answer.code().as_str()), (StatusCode::CONFLICT, "not_read"));
    let page = Page::new();
    assert_eq!(page.get("/api/logbook").await.code(), "no_logbook");
    // A file that is no logbook is left as it is.
    let file = folder.path().join("letter.txt");
    std::fs::write(&file, "dear shop").unwrap();
    let page = Page::keeping(false, Limits::default(), Some(file.clone()));
    let answer = page.get("/api/logbook").await;
    assert!(answer.status.is_client_error() || answer.status.is_server_error(), "{}", answer.text());
    assert_eq!(std::fs::read(&file).unwrap(), b"dear shop");
}

#[tokio::test]
async fn drift_says_what_the_library_says() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("logbook.db");
    Logbook::open_or_create(&path).unwrap().import(SHOP).unwrap();
    let page = page_in(&folder);
    let book = Logbook::open_to_read(&path).unwrap();
    let machine = book.machine("south").unwrap();
    let (entries, events) = (book.entries().unwrap(), book.events().unwrap());
    let mut question = Question { machine: "south".to_owned(), ..Question::default() };
    let lens = drift(&entries, &[], &question).readings.lens.and_then(|name| book.lens(&name).ok());
    question.spacer_in_use_mm = fitting(&machine, lens.as_ref()).spacer_in_use_mm;
    let wanted = report::drift::json::drift(&drift(&entries, &events, &question));
    assert_eq!(page.get("/api/drift?machine=south").await.text(), wanted);
    assert!(page.get("/api/drift/chart.svg?machine=south").await.text().contains("<svg"));
    assert!(page.get("/api/drift/report.html?machine=south&all=true").await.text().contains("<html"));
    assert_eq!(page.get("/api/drift?machine=west").await.code(), "logbook");
    assert_eq!(page.get("/api/drift").await.code(), "not_understood");
}

#[tokio::test]
async fn a_stack_is_the_librarys_best() {
    let page = Page::new();
    let answer = page.post("/api/stack", json!({ "spacer": "7.15", "stock": "3.0, 4.1\n6.2; 0.5x4" })).await.json();
    let stock = Stock::from_list("3.0, 4.1, 6.2, 0.5x4", 0.05).unwrap();
    let best = &stacks(&stock, 7.15, &StackOptions::default()).unwrap()[0];
    let total = &answer["spacer"]["stacks"][0]["total_mm"]["value"];
    assert!((total.as_f64().unwrap() - best.total.value).abs() < 1e-9, "{answer}");
    assert_eq!(answer["page"]["stacks"][0]["pieces"], "4.1 + 3.0 mm");
    let file = "thickness_u_mm = 0.02\n[[piece]]\nthickness_mm = 7.2\nname = \"grey block\"\n";
    let named = page.post("/api/stack", json!({ "spacer": "0.28 in", "stock": file })).await.json();
    assert_eq!(named["page"]["stacks"][0]["pieces"], "7.2 mm grey block", "{named}");
    for bad in [
        json!({ "spacer": "", "stock": "3" }),
        json!({ "spacer": "-1", "stock": "3" }),
        json!({ "spacer": "NaN", "stock": "3" }),
        json!({ "spacer": "7,15", "stock": "3" }),
        json!({ "spacer": "7", "stock": "" }),
        json!({ "spacer": "7", "stock": "3x0" }),
        json!({ "spacer": "7", "stock": "[[piece]]\nthickness = 3" }),
        json!({ "spacer": "7", "stock": "3", "pieces": 0 }),
        json!({ "spacer": "7", "stock": "3", "pieces": 4000000000u32 }),
        json!({ "spacer": "7", "stock": "3", "sunk_fraction": 7.0 }),
    ] {
        let answer = page.post("/api/stack", bad.clone()).await;
        assert_eq!(
            (answer.status, answer.code().as_str()),
            (StatusCode::BAD_REQUEST, "stack"),
            "{bad}: {}",
            answer.text()
        );
        assert!(!answer.text().contains("--"), "{bad}: {}", answer.text());
    }
}

#[tokio::test]
async fn label_and_step_gauge_are_the_librarys_drawings() {
    let page = Page::new();
    let label = page
        .get("/api/stack/label.svg?measured_mm=8.45&machine=north&lens=2%20in&when=2026-03-01&label_width_mm=50&label_height_mm=9")
        .await;
    let words = Label {
        thickness_mm: 8.45,
        machine: "north".into(),
        lens: "2 in".into(),
        gauged_from: "nozzle tip".into(),
        date: "2026-03-01".into(),
    };
    assert_eq!(label.text(), svg(&spacer_drawings::label(&words, 50.0, 9.0).unwrap()));
    assert!(label.headers["content-disposition"].to_str().unwrap().contains("attachment; filename=\"label.svg\""));
    // Without sizes the side is 40 mm long and as high as the block.
    let usual = page.get("/api/stack/label.svg?measured_mm=8.45&gauged_from=lens%20tube").await.text();
    assert!(usual.contains("width=\"40mm\" height=\"8.45mm\""), "{usual}");
    let gauge =
        page.get("/api/stack/step-gauge.svg?spacer_mm=8.45&spacer_u_mm=0.1&steps=9&tread_mm=12&kerf_mm=0.2").await;
    let wanted = Wanted::typed(Estimate::new(8.45, 0.1)).unwrap();
    let options = StepGaugeOptions { steps: 9, step_mm: None, tread_mm: 12.0, kerf_mm: 0.2 };
    let wanted = spacer_drawings::step_gauge(&StepGauge::new(&wanted, &options).unwrap());
    assert_eq!(gauge.text(), svg(&wanted));
    assert_eq!(page.get("/api/stack/..%2fCargo.toml?spacer_mm=8").await.code(), "nothing_there");
    for bad in [
        "label.svg",
        "label.svg?measured_mm=8,45",
        "label.svg?measured_mm=-1",
        "label.svg?measured_mm=8&label_width_mm=1e9",
        "label.svg?measured_mm=8&label_width_mm=5&machine=north",
        "label.svg?measured_mm=1",
        "label.svg?measured_mm=8&machine=%E6%9D%B1",
        "label.svg?measured_mm=8&when=yesterday",
        "step-gauge.svg",
        "step-gauge.svg?spacer_mm=8&steps=two",
        "step-gauge.svg?spacer_mm=8&steps=4000",
        "step-gauge.svg?spacer_mm=2&step_mm=1",
        "step-gauge.svg?spacer_mm=8&kerf_mm=90",
        "step-gauge.svg?spacer_mm=8&spacer_u_mm=NaN",
        "step-gauge.svg?spacer_mm=NaN",
    ] {
        let answer = page.get(&format!("/api/stack/{bad}")).await;
        assert_eq!(
            (answer.status, answer.code().as_str()),
            (StatusCode::BAD_REQUEST, "stack"),
            "{bad}: {}",
            answer.text()
        );
        assert!(!answer.text().contains("--") && !answer.text().contains("share"), "{bad}: {}", answer.text());
    }
}

#[tokio::test]
async fn a_plan_is_the_librarys_and_its_files_are_made() {
    let page = Page::new();
    let query = "nominal_focal_length_mm=50.8&spacer_in_use_mm=7&date=2026-03-01";
    let answer = page.get(&format!("/api/plan?{query}")).await;
    let request = narrows::plan::PlanRequest {
        date: Some("2026-03-01".to_owned()),
        ..narrows::plan::PlanRequest::new(50.8, 7.0)
    };
    let wanted = report::plan::json::plan(&narrows::plan::plan(&request).unwrap());
    assert!(answer.text().starts_with(&format!("{{\"plan\":{wanted},")), "{}", answer.text());
    for (file, holds) in [
        ("side.svg", "<svg"),
        ("line.svg", "<svg"),
        ("note.svg", "<svg"),
        ("line.dxf", "SECTION"),
        ("contours.svg", "<svg"),
        ("letters.svg", "<svg"),
        ("ramp.toml", "incline_deg"),
        ("setup.toml", "travel_mm"),
        ("sheet.html", "<html"),
    ] {
        let answer = page.get(&format!("/api/plan/{file}?{query}")).await;
        assert!(answer.status == StatusCode::OK && answer.text().contains(holds), "{file}: {}", answer.text());
    }
    assert_eq!(page.get(&format!("/api/plan/..%2fCargo.toml?{query}")).await.code(), "nothing_there");
    for (bad, field) in [
        ("", "nominal_focal_length_mm"),
        ("nominal_focal_length_mm=50.8", "spacer_in_use_mm"),
        ("nominal_focal_length_mm=two&spacer_in_use_mm=7", "nominal_focal_length_mm"),
        ("nominal_focal_length_mm=50.8&spacer_in_use_mm=7&search_mm=400", "search_mm"),
        ("nominal_focal_length_mm=50.8&spacer_in_use_mm=7&dpi=1", "dpi"),
    ] {
        let answer = page.get(&format!("/api/plan?{bad}")).await;
        assert_eq!(
            (answer.status, &answer.json()["error"]["field"]),
            (StatusCode::BAD_REQUEST, &json!(field)),
            "{bad}: {}",
            answer.text()
        );
        assert!(!answer.text().contains("--"), "{bad}: {}", answer.text());
    }
}
