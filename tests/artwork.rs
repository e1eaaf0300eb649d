//! Drawings read back by other people's parsers: the SVG by resvg, the DXF by the dxf crate.
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

use dxf::entities::EntityType;
use narrows::plan::artwork::{Artwork, artwork};
use narrows::plan::cradle::{CutFrom, cradle};
use narrows::plan::path::Drawing;
use narrows::plan::{Plan, PlanRequest, PlannedDatum, plan};
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg;

/// CSS pixels, in which resvg counts, for each millimetre.
const PX_PER_MM: f64 = 96.0 / 25.4;
/// The geometry is to be true to this.
const TOLERANCE_MM: f64 = 0.02;

fn example() -> (Plan, Artwork) {
    let request = PlanRequest {
        datum: PlannedDatum::Marks,
        name: Some("north".to_owned()),
        date: Some("2026-11-25".to_owned()),
        ..PlanRequest::new(50.8, 7.0)
    };
    let plan = plan(&request).unwrap();
    let artwork = artwork(&plan).unwrap();
    (plan, artwork)
}

/// Every path of an SVG as resvg sees it: left, top, right, bottom in mm, without the stroke's width.
fn boxes(svg: &str) -> Vec<[f64; 4]> {
    let tree = usvg::Tree::from_str(svg, &usvg::Options::default()).unwrap();
    let mut boxes = vec![];
    collect(tree.root(), &mut boxes);
    boxes
}

fn collect(group: &usvg::Group, boxes: &mut Vec<[f64; 4]>) {
    for node in group.children() {
        match node {
            usvg::Node::Group(group) => collect(group, boxes),
            usvg::Node::Path(path) => {
                let stroke = path.stroke().expect("every path is a stroke");
                let scale = f64::from(path.abs_transform().sx);
                let width = f64::from(stroke.width().get()) * scale / PX_PER_MM;
                assert!((width - 0.2).abs() < 1e-3, "stroke of {width} mm");
                let black = usvg::Paint::Color(usvg::Color::new_rgb(0, 0, 0));
                assert_eq!(*stroke.paint(), black);
                assert!(path.fill().is_none());
                let b = path.abs_bounding_box();
                boxes.push([b.left(), b.top(), b.right(), b.bottom()].map(|px| f64::from(px) / PX_PER_MM));
            }
            _ => panic!("nothing but strokes"),
        }
    }
}

#[test]
fn resvg_finds_line_and_marks_where_they_belong() {
    let (plan, artwork) = example();
    let (ramp, row) = (&plan.ramp, plan.ramp.marks.unwrap());
    let cos = ramp.travel_mm / ramp.span_mm;
    let [x0, y0] = [ramp.low_margin_mm * cos, 0.5 * plan.request.strip_width_mm];
    let near = |found: [f64; 4], expected: [f64; 4]| {
        let apart = found.iter().zip(expected).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(apart <= TOLERANCE_MM, "{found:?} is not {expected:?}");
    };
    let line = boxes(&artwork.line.svg());
    assert_eq!(line.len(), 1);
    near(line[0], [x0 - 4.0, y0, x0 + ramp.travel_mm + 4.0, y0]);

    // The sequence as INTERFACE prints it, not as the program makes it.
    let bits = "1111100011011101010000100101100";
    let marks = boxes(&artwork.marks.svg());
    assert_eq!(marks.len(), 2 * (row.last + 1));
    for (index, bit) in bits.chars().take(row.last + 1).enumerate() {
        let x = x0 + index as f64 * row.pitch_mm;
        // Left of the way up is up on the page.
        near(marks[2 * index], [x, y0 - 12.0, x, y0 - 6.0]);
        near(marks[2 * index + 1], [x, y0 + 6.0, x, y0 + if bit == '1' { 12.0 } else { 9.0 }]);
    }
    assert!((row.last as f64 * row.pitch_mm - ramp.travel_mm).abs() < 0.05);
}

/// The line as ink: painted at 50 pixels a millimetre, its edges are where they belong.
#[test]
fn resvg_paints_the_line_true_to_size() {
    let (plan, artwork) = example();
    const FINE: f64 = 50.0;
    let tree = usvg::Tree::from_str(&artwork.line.svg(), &usvg::Options::default()).unwrap();
    let cos = plan.ramp.travel_mm / plan.ramp.span_mm;
    let [start_x, y] = [plan.ramp.low_margin_mm * cos - 4.0, 0.5 * plan.request.strip_width_mm];
    // A window of 4 mm round the line's start.
    let [left, top] = [start_x - 2.0, y - 2.0];
    let mut pixmap = Pixmap::new(200, 200).unwrap();
    let scale = (FINE / PX_PER_MM) as f32;
    let shift = Transform::from_scale(scale, scale).post_translate((-left * FINE) as f32, (-top * FINE) as f32);
    resvg::render(&tree, shift, &mut pixmap.as_mut());
    let ink = |x: u32, y: u32| f64::from(pixmap.pixel(x, y).unwrap().alpha()) / 255.0;
    let across: f64 = (0..200).map(|row| ink(150, row)).sum::<f64>() / FINE;
    let along: f64 = (0..200).map(|column| ink(column, 100)).sum::<f64>() / FINE;
    let centre: f64 = (0..200).map(|row| ink(150, row) * (f64::from(row) + 0.5)).sum::<f64>() / (across * FINE) / FINE;
    assert!((across - 0.2).abs() <= TOLERANCE_MM, "{across} mm wide");
    assert!((along - 2.0).abs() <= TOLERANCE_MM, "begins {along} mm before the window's edge");
    assert!((centre - 2.0).abs() <= TOLERANCE_MM, "{centre}");
}

/// Strokes of a DXF as its parser sees them, y turned down again.
fn strokes(drawing: &Drawing) -> Vec<Vec<[f64; 2]>> {
    let text = drawing.dxf();
    let parsed = dxf::Drawing::load(&mut text.as_bytes()).unwrap();
    assert_eq!(parsed.header.version, dxf::enums::AcadVersion::R12);
    let down = |x: f64, y: f64| [x, drawing.size_mm[1] - y];
    parsed
        .entities()
        .map(|entity| {
            assert_eq!(entity.common.layer, "0");
            assert!(entity.common.color.is_by_layer(), "no colour");
            match &entity.specific {
                EntityType::Line(line) => vec![down(line.p1.x, line.p1.y), down(line.p2.x, line.p2.y)],
                EntityType::Polyline(polyline) => {
                    let mut points: Vec<[f64; 2]> =
                        polyline.vertices().map(|v| down(v.location.x, v.location.y)).collect();
                    if polyline.flags & 1 == 1 {
                        points.push(points[0]);
                    }
                    points
                }
                other => panic!("{other:?}"),
            }
        })
        .collect()
}

#[test]
fn the_dxf_holds_the_same_strokes() {
    let (plan, artwork) = example();
    let cradle = cradle(&plan, CutFrom { sheet_thickness_mm: 4.0, kerf_mm: 0.2 }).unwrap();
    for drawing in [&artwork.line, &artwork.marks, &artwork.note, &cradle.cut, &cradle.engrave] {
        let found = strokes(drawing);
        assert_eq!(found.len(), drawing.strokes.len());
        assert!(!found.is_empty());
        for (points, stroke) in found.iter().zip(&drawing.strokes) {
            assert_eq!(points.len(), stroke.points.len() + usize::from(stroke.is_closed));
            for (a, b) in points.iter().zip(&stroke.points) {
                assert!((a[0] - b[0]).abs() < 2e-4 && (a[1] - b[1]).abs() < 2e-4, "{a:?} {b:?}");
            }
        }
        // No group code 62 (colour) anywhere.
        assert!(!drawing.dxf().lines().step_by(2).any(|code| code.trim() == "62"));
    }
}

#[test]
fn svg_and_dxf_are_on_one_page_and_the_note_keeps_off_line_and_marks() {
    let (plan, artwork) = example();
    assert_eq!(artwork.line.size_mm, artwork.marks.size_mm);
    assert_eq!(artwork.line.size_mm, artwork.note.size_mm);
    let middle = 0.5 * plan.request.strip_width_mm;
    let note = boxes(&artwork.note.svg());
    assert!(note.len() > 20);
    for [left, top, right, bottom] in note {
        assert!(top > middle + 12.0, "{top}");
        assert!(left >= 0.0 && right <= artwork.note.size_mm[0] && bottom <= artwork.note.size_mm[1]);
    }
}

#[test]
fn resvg_finds_the_ramps_parts_as_large_as_the_kerf_makes_them() {
    let (plan, _) = example();
    let cradle = cradle(&plan, CutFrom { sheet_thickness_mm: 4.0, kerf_mm: 0.3 }).unwrap();
    let boxes = boxes(&cradle.cut.svg());
    assert_eq!(boxes.len(), 3);
    let [left, top, right, bottom] = boxes[2];
    assert!((right - left - (plan.request.strip_length_mm + 0.3)).abs() <= TOLERANCE_MM);
    assert!((bottom - top - (plan.request.strip_width_mm + 0.3)).abs() <= TOLERANCE_MM);
}
