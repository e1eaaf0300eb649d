//! A plain scan of a good strip with an ordinary thing beside it, as it lies about on a bench.

use std::f64::consts::TAU;

use image::load_from_memory;
use narrows::synth::Scene;

use super::canvas::{Canvas, Dice};

/// Room made beside the strip, px.
const ROOM: f64 = 420.0;
const EDGE: f64 = 60.0;

type Drawing = fn(&mut Canvas, &mut Dice, [f64; 4]);

/// Every thing, drawn into a box (left, top, right, bottom).
const THINGS: [(&str, Drawing); 14] = [
    ("steel rule", rule),
    ("pen", pen),
    ("pencil", pencil),
    ("washer", washer),
    ("screwdriver", screwdriver),
    ("cable", cable),
    ("blank strip", blank),
    ("written note", note),
    ("barcode label", label),
    ("hexagon key", key),
    ("tweezers", tweezers),
    ("toothpicks", toothpicks),
    ("lens tissue", tissue),
    ("screws", screws),
];

/// How many things there are.
pub const THING_COUNT: usize = THINGS.len();

/// The number of the thing of that name.
pub fn named(name: &str) -> usize {
    THINGS.iter().position(|(known, _)| *known == name).unwrap()
}

/// A picture with the thing below or above the strip, as PNG, and the thing's name.
pub fn beside(scene: &Scene, thing: usize, seed: u64) -> (&'static str, Vec<u8>) {
    let (name, draw) = THINGS[thing];
    let dice = &mut Dice::new(seed.wrapping_mul(1000) + thing as u64);
    let rendered = scene.render().unwrap();
    let strip = Canvas::of(&load_from_memory(&rendered.bytes).unwrap());
    let mat = strip.light[0];
    let [width, height] = strip.size();
    let mut canvas = Canvas::new((width + 2.0 * EDGE) as usize, (height + ROOM) as usize, mat);
    let is_below = dice.below(2) == 0;
    let top = if is_below { 0.0 } else { ROOM };
    for row in 0..strip.height {
        let from = (row + top as usize) * canvas.width + EDGE as usize;
        canvas.light[from..from + strip.width].copy_from_slice(&strip.light[row * strip.width..][..strip.width]);
    }
    let [from, to] = if is_below { [height, height + ROOM] } else { [0.0, ROOM] };
    draw(&mut canvas, dice, [EDGE, from + 40.0, width + EDGE, to - 40.0]);
    (name, canvas.developed(dice, 0.3, 0.002))
}

fn light(dice: &mut Dice) -> f64 {
    dice.between(0.45, 0.85)
}

fn rule(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    let tone = light(dice);
    let [y0, y1] = [top + 60.0, bottom - 40.0];
    canvas.rectangle(tone, [left - 200.0, y0, right + 200.0, y1]);
    let pitch = dice.between(22.0, 26.0);
    let mut x = left;
    let mut count = 0;
    while x < right {
        let long = if count % 10 == 0 { 90.0 } else { 45.0 };
        canvas.rectangle(0.05, [x, y0, x + 4.0, y0 + long]);
        x += pitch;
        count += 1;
    }
}

fn pen(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    let y = 0.5 * (top + bottom);
    let lean = dice.normal(0.03) * (right - left);
    canvas.stroke(light(dice), [left + 150.0, y - lean], [right - 100.0, y + lean], dice.between(70.0, 130.0));
    canvas.stroke(0.5, [right - 60.0, y + lean], [right - 20.0, y + lean], 14.0);
}

fn pencil(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    let y = 0.5 * (top + bottom);
    let tone = light(dice);
    canvas.rectangle(tone, [left + 50.0, y - 45.0, right - 300.0, y + 45.0]);
    canvas.ribbon(0.7, [right - 300.0, right - 120.0], |_| y, |x| 90.0 * (right - 110.0 - x) / 190.0);
    // The facet's edge runs along it as a dark line.
    canvas.rectangle(0.6 * tone, [left + 50.0, y - 12.0, right - 300.0, y - 6.0]);
}

fn washer(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    let tone = light(dice);
    for _ in 0..3 {
        let [x, y] = [dice.between(left + 150.0, right - 150.0), 0.5 * (top + bottom)];
        let [outer, inner] = [dice.between(90.0, 140.0), dice.between(30.0, 60.0)];
        canvas.paint(tone, 1.2, |px, py| {
            let r = (px - x).hypot(py - y);
            (r - outer).max(inner - r)
        });
    }
}

fn screwdriver(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    let y = 0.5 * (top + bottom);
    let [handle, shaft] = [dice.between(100.0, 180.0), dice.between(20.0, 40.0)];
    canvas.ribbon(
        light(dice),
        [left + 60.0, right - 60.0],
        |_| y,
        |x| {
            let into = (x - left - 350.0) / 30.0;
            shaft + (handle - shaft) * (0.5 - 0.5 * into.tanh())
        },
    );
}

fn cable(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    let y = 0.5 * (top + bottom);
    let [swing, period, width] = [dice.between(10.0, 80.0), dice.between(300.0, 900.0), dice.between(20.0, 45.0)];
    canvas.ribbon(light(dice), [left, right], |x| y + swing * (TAU * x / period).sin(), |_| width);
}

fn blank(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    canvas.rectangle(light(dice), [left + dice.between(0.0, 200.0), top, right - dice.between(0.0, 200.0), bottom]);
}

fn note(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    canvas.rectangle(0.8, [left, top, right, bottom]);
    canvas.text(0.08, [left + 60.0, top + 130.0], dice.between(60.0, 90.0), "lens out, cleaned, back in");
    canvas.text(0.08, [left + 60.0, top + 260.0], dice.between(60.0, 90.0), "block 7.0 before");
}

fn label(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    canvas.rectangle(0.85, [left + 100.0, top, right - 100.0, bottom]);
    let mut x = left + 180.0;
    while x < right - 180.0 {
        let bar = dice.between(4.0, 16.0);
        canvas.rectangle(0.04, [x, top + 40.0, x + bar, bottom - 60.0]);
        x += bar + dice.between(5.0, 18.0);
    }
}

fn key(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    let [tone, width] = [light(dice), dice.between(25.0, 60.0)];
    let corner = [left + 200.0, bottom - 60.0];
    canvas.stroke(tone, corner, [right - 100.0, bottom - 60.0], width);
    canvas.stroke(tone, corner, [left + 200.0, top + 40.0], width);
}

/// Two arms that meet: a long light shape with a narrow place.
fn tweezers(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    let y = 0.5 * (top + bottom);
    let [tone, spread] = [light(dice), dice.between(40.0, 90.0)];
    for side in [-1.0, 1.0] {
        canvas.ribbon(
            tone,
            [left + 80.0, right - 120.0],
            |x| {
                let share = (x - left - 80.0) / (right - left - 200.0);
                y + side * spread * (std::f64::consts::PI * share).sin()
            },
            |_| 26.0,
        );
    }
}

fn toothpicks(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    for _ in 0..3 {
        let y = dice.between(top + 40.0, bottom - 40.0);
        let lean = dice.normal(60.0);
        let [from, to] = [[left + 80.0, y - lean.clamp(-80.0, 80.0)], [right - 120.0, y + lean.clamp(-80.0, 80.0)]];
        canvas.ribbon(
            light(dice),
            [from[0], to[0]],
            |x| from[1] + (to[1] - from[1]) * (x - from[0]) / (to[0] - from[0]),
            |x| 36.0 * ((x - from[0]).min(to[0] - x) / 150.0).clamp(0.1, 1.0),
        );
    }
}

fn tissue(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    let [folds, ripple] = [dice.wander(200.0), dice.wander(90.0)];
    let tone = light(dice);
    canvas.each(|x, y, old| {
        let edge = 18.0 * ripple(x);
        let inside = y > top + 30.0 + edge && y < bottom - 30.0 + edge && x > left && x < right;
        if inside { tone * (1.0 + 0.06 * folds(x + 0.7 * y)) } else { old }
    });
}

fn screws(canvas: &mut Canvas, dice: &mut Dice, [left, top, right, bottom]: [f64; 4]) {
    for _ in 0..4 {
        let [x, y] = [dice.between(left + 100.0, right - 300.0), dice.between(top + 60.0, bottom - 60.0)];
        let tone = light(dice);
        canvas.ribbon(tone, [x, x + 180.0], |_| y, |px| 30.0 + 5.0 * (px / 2.5).sin());
        canvas.ribbon(tone, [x - 25.0, x], |_| y, |_| 70.0);
    }
}
