//! Pictures that hold no ramp test: ordinary things that have edges, lines and waists. Drawn from seeds by formulas of their own.

use std::f64::consts::{PI, TAU};

use super::canvas::{Canvas, Dice, to_segment};

/// A picture without an answer.
pub struct Nothing {
    /// What it shows.
    pub kind: &'static str,
    pub seed: u64,
    /// PNG.
    pub file: Vec<u8>,
    /// Where a person would point, if they took what it shows for the line; low end first.
    pub points_px: [[f64; 2]; 2],
    /// Side of the low end.
    pub low_end: &'static str,
    /// False where a burned line is there and pointing at it is an answer.
    pub with_points: bool,
}

/// A drawing with the line's would-be ends, running along x.
struct Drawn {
    canvas: Canvas,
    ends: [[f64; 2]; 2],
    with_points: bool,
}

const WIDTH: usize = 1100;
const HEIGHT: usize = 360;
const MIDDLE: f64 = 180.0;
/// Where lines usually begin and end.
const ENDS: [f64; 2] = [90.0, 1010.0];

impl From<Canvas> for Drawn {
    fn from(canvas: Canvas) -> Self {
        Self { canvas, ends: [[ENDS[0], MIDDLE], [ENDS[1], MIDDLE]], with_points: true }
    }
}

type Drawing = fn(&mut Dice) -> Drawn;

/// Every kind.
const KINDS: [(&str, Drawing); 60] = [
    ("blank sheet", |dice| ground(dice).into()),
    ("noise", |dice| noise(dice).into()),
    ("gradient", |dice| gradient(dice).into()),
    ("moire", |dice| moire(dice).into()),
    ("checkerboard", |dice| checkerboard(dice).into()),
    ("star field", |dice| stars(dice).into()),
    ("text page", |dice| page(dice).into()),
    ("one line of text", |dice| headline(dice).into()),
    ("handwriting", |dice| handwriting(dice).into()),
    ("barcode", |dice| barcode(dice).into()),
    ("ruler", |dice| ruler(dice).into()),
    ("graph paper", |dice| graph_paper(dice).into()),
    ("halftone", |dice| halftone(dice).into()),
    ("screenshot", |dice| screenshot(dice).into()),
    ("several burned lines", several_burned),
    ("crossing burned lines", crossing_burned),
    ("crossing pen lines", |dice| crossing_pens(dice, [0.05, 0.5]).into()),
    ("pen lines crossing at a small angle", |dice| crossing_pens(dice, [0.004, 0.03]).into()),
    ("crack", |dice| crack(dice).into()),
    ("wood grain", |dice| grain(dice, 0.35).into()),
    ("strong wood grain", |dice| grain(dice, 0.8).into()),
    ("bands of dark grain", |dice| grain_bands(dice).into()),
    ("a grain line with a waist", |dice| grain_with_a_waist(dice).into()),
    ("flamed grain", |dice| flamed(dice).into()),
    ("knot", |dice| knot(dice).into()),
    ("joint between boards", |dice| joint(dice).into()),
    ("gap between bowed boards", |dice| bowed_gap(dice).into()),
    ("torn edges", |dice| torn(dice).into()),
    ("wedge", |dice| wedge(dice).into()),
    ("gap between two discs", |dice| discs(dice).into()),
    ("bow tie", |dice| bow_tie(dice).into()),
    ("bottle", |dice| bottle(dice).into()),
    ("bone", |dice| bone(dice).into()),
    ("stretched hourglass", |dice| hourglass(dice).into()),
    ("lens-shaped shadow", |dice| lens(dice).into()),
    ("shadow's edge", |dice| shadow(dice).into()),
    ("rope", |dice| rope(dice).into()),
    ("cable", |dice| cable(dice).into()),
    ("chain", |dice| chain(dice).into()),
    ("pencil line", |dice| pencil(dice).into()),
    ("pen line with changing pressure", |dice| pressed_pen(dice).into()),
    ("brush stroke", |dice| brush(dice).into()),
    ("marker drawn twice", |dice| drawn_twice(dice).into()),
    ("hair", |dice| hair(dice).into()),
    ("ruled line", |dice| ruled(dice).into()),
    ("filled band", |dice| filled(dice).into()),
    ("dotted line", |dice| dotted(dice).into()),
    ("dashed line", |dice| dashed(dice).into()),
    ("burned line with gaps", burned_with_gaps),
    ("sine wave", |dice| sine(dice).into()),
    ("fold", |dice| fold(dice).into()),
    ("scratch on metal", |dice| scratch(dice).into()),
    ("arc", |dice| arc(dice).into()),
    ("spiral", |dice| spiral(dice).into()),
    ("rings", |dice| rings(dice).into()),
    ("burned line past the picture's end", past_the_end),
    ("half a burned line", half),
    ("fork", |dice| fork(dice).into()),
    ("leaf", |dice| leaf(dice).into()),
    ("converging rails", |dice| rails(dice).into()),
];

/// How many kinds there are.
pub const KIND_COUNT: usize = KINDS.len();

/// One picture.
pub fn nothing(kind: usize, seed: u64) -> Nothing {
    let (name, draw) = KINDS[kind];
    let dice = &mut Dice::new(seed.wrapping_mul(1000) + kind as u64);
    let Drawn { canvas, ends, with_points } = draw(dice);
    let height = canvas.size()[1];
    let is_turned = dice.below(4) == 0;
    let canvas = if is_turned { canvas.turned() } else { canvas };
    let points_px = if is_turned { ends.map(|[x, y]| [height - y, x]) } else { ends };
    let [blur, noise] = [dice.between(0.4, 1.1), dice.between(0.002, 0.012)];
    let file = canvas.developed(dice, blur, noise);
    Nothing { kind: name, seed, file, points_px, low_end: if is_turned { "top" } else { "left" }, with_points }
}

/// What most of them lie on: paper, wood or a grey mat, unevenly lit.
fn ground(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, dice.pick(&[0.85, 0.6, 0.45, 0.3]));
    if dice.below(2) == 0 {
        let depth = dice.between(0.02, 0.12);
        streaks(&mut canvas, dice, depth);
    }
    let [across, down] = [dice.normal(0.08), dice.normal(0.05)];
    canvas.each(|x, y, light| light * (1.0 + across * (x / 1100.0 - 0.5) + down * (y / 360.0 - 0.5)));
    canvas
}

/// Fibres along x: tones alike over long ways in x and short ones in y.
fn streaks(canvas: &mut Canvas, dice: &mut Dice, depth: f64) {
    let [broad, fine] = [dice.between(12.0, 40.0), dice.between(2.0, 6.0)];
    let [slow, quick, drift] = [dice.wander(broad), dice.wander(fine), dice.wander(600.0)];
    let bend = dice.between(0.0, 8.0);
    canvas.each(|x, y, light| {
        let across = y + bend * drift(x);
        light * (1.0 + depth * (0.6 * slow(across) + 0.4 * quick(across + 0.01 * x))).clamp(0.1, 1.4)
    });
}

/// Light of ink, char or graphite.
fn dark(dice: &mut Dice) -> f64 {
    dice.between(0.02, 0.1)
}

/// The width of a line burned through its focus, in pixels, and where that is. Not the fitted curve: beyond the Rayleigh range
/// a square root stands for the slower growth.
fn kerf(dice: &mut Dice) -> (impl Fn(f64) -> f64 + Copy + use<>, f64) {
    let [least, length, at] = [dice.between(5.0, 9.0), dice.between(70.0, 140.0), dice.between(380.0, 720.0)];
    (move |x: f64| least * (1.0 + ((x - at) / length).powi(2)).powf(0.35), at)
}

fn noise(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.4);
    let coarse = dice.between(1.0, 12.0);
    let [a, b] = [dice.wander(coarse), dice.wander(coarse)];
    let grains: Vec<f64> = (0..WIDTH * HEIGHT).map(|_| dice.normal(0.15)).collect();
    canvas.each(|x, y, light| {
        let grain = grains[y as usize * WIDTH + x as usize];
        light * (1.0 + 0.3 * a(x + 0.37 * y) * b(y - 0.21 * x) + grain)
    });
    canvas
}

fn gradient(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 1.0);
    let [angle, low, high] = [dice.between(0.0, TAU), dice.between(0.03, 0.4), dice.between(0.5, 0.95)];
    let is_round = dice.below(2) == 0;
    canvas.each(|x, y, _| {
        let share = if is_round {
            ((x - 550.0) / 600.0).hypot((y - MIDDLE) / 250.0)
        } else {
            0.5 + ((x - 550.0) * angle.cos() + (y - MIDDLE) * angle.sin()) / 1100.0
        };
        low + (high - low) * share.clamp(0.0, 1.0)
    });
    canvas
}

fn moire(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.7);
    let [pitch, ratio, turn] = [dice.between(5.0, 16.0), dice.between(1.02, 1.2), dice.normal(0.05)];
    let depth = dice.between(0.3, 0.6);
    canvas.each(|x, y, light| {
        let first = (TAU * y / pitch).sin();
        let second = (TAU * (y * turn.cos() + x * turn.sin()) / (pitch * ratio)).sin();
        light * (1.0 - depth * (0.5 + 0.25 * first + 0.25 * second))
    });
    canvas
}

fn checkerboard(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.8);
    let [side, turn] = [dice.between(12.0, 90.0), dice.between(-0.4, 0.4)];
    canvas.each(|x, y, light| {
        let [u, v] = [x * turn.cos() - y * turn.sin(), x * turn.sin() + y * turn.cos()];
        if ((u / side).floor() as i64 + (v / side).floor() as i64) % 2 == 0 { 0.06 } else { light }
    });
    canvas
}

fn stars(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.01);
    for _ in 0..220 {
        let [x0, y0] = [dice.between(0.0, WIDTH as f64), dice.between(0.0, HEIGHT as f64)];
        let [size, light] = [dice.between(0.5, 2.5), dice.between(0.1, 1.0)];
        spot(&mut canvas, [x0, y0], size, light);
    }
    canvas
}

/// A small disc; only its own pixels are visited.
fn spot(canvas: &mut Canvas, [x0, y0]: [f64; 2], radius: f64, tone: f64) {
    let reach = radius.ceil() as i64 + 1;
    for row in (y0 as i64 - reach).max(0)..(y0 as i64 + reach + 1).min(canvas.height as i64) {
        for column in (x0 as i64 - reach).max(0)..(x0 as i64 + reach + 1).min(canvas.width as i64) {
            let off = (column as f64 + 0.5 - x0).hypot(row as f64 + 0.5 - y0) - radius;
            let old = &mut canvas.light[row as usize * canvas.width + column as usize];
            *old += (0.5 - off).clamp(0.0, 1.0) * (tone - *old);
        }
    }
}

const WORDS: [&str; 12] =
    ["narrow", "strip", "height", "of", "the", "block", "lens", "and", "place", "between", "burn", "width"];

fn words(dice: &mut Dice, count: usize) -> String {
    (0..count).map(|_| dice.pick(&WORDS)).collect::<Vec<_>>().join(" ")
}

fn page(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [size, tone] = [dice.between(14.0, 40.0), dark(dice)];
    let mut y = size + 10.0;
    while y < HEIGHT as f64 {
        let line = words(dice, 40);
        canvas.text(tone, [30.0, y], size, &line);
        y += 1.4 * size;
    }
    canvas
}

fn headline(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [size, tone] = [dice.between(12.0, 90.0), dark(dice)];
    let line = words(dice, 14);
    canvas.text(tone, [40.0, MIDDLE + 0.3 * size], size, &line);
    canvas
}

/// Loops along a line.
fn handwriting(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [tone, high, width] = [dark(dice), dice.between(8.0, 30.0), dice.between(1.0, 2.5)];
    let [lift, pace] = [dice.wander(30.0), dice.wander(40.0)];
    let mut t = 0.0;
    while t < 900.0 {
        let x = 100.0 + t + 9.0 * (0.35 * t + pace(t)).cos();
        let y = MIDDLE + high * 0.6 * (0.35 * t).sin() * (1.0 + 0.5 * lift(t));
        spot(&mut canvas, [x, y], width, tone);
        t += 0.25;
    }
    canvas
}

fn barcode(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.85);
    let [unit, tone] = [dice.between(2.0, 6.0), dark(dice)];
    let lies = dice.below(2) == 0;
    let mut at = 40.0;
    let most = if lies { HEIGHT as f64 - 40.0 } else { WIDTH as f64 - 40.0 };
    while at < most {
        let bar = unit * (1 + dice.below(4)) as f64;
        let sides = if lies { [120.0, at, 980.0, at + bar] } else { [at, 60.0, at + bar, 300.0] };
        canvas.rectangle(tone, sides);
        at += bar + unit * (1 + dice.below(4)) as f64;
    }
    canvas
}

fn ruler(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [pitch, edge, tone] = [dice.between(9.0, 24.0), dice.between(120.0, 220.0), dark(dice)];
    let shine = dice.pick(&[0.75, 0.55]);
    canvas.rectangle(shine, [30.0, edge, 1070.0, edge + 110.0]);
    let size = 1.4 * pitch;
    for mark in 0..((1000.0 / pitch) as usize) {
        let x = 50.0 + pitch * mark as f64;
        let long = if mark % 10 == 0 {
            42.0
        } else if mark % 5 == 0 {
            30.0
        } else {
            20.0
        };
        canvas.rectangle(tone, [x, edge, x + 1.6, edge + long]);
        if mark % 10 == 0 {
            canvas.text(tone, [x - 4.0, edge + 44.0 + size], size, &(mark / 10).to_string());
        }
    }
    canvas
}

fn graph_paper(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [pitch, turn, fine] = [dice.between(8.0, 30.0), dice.normal(0.02), dice.between(0.8, 1.6)];
    let depth = dice.between(0.2, 0.7);
    canvas.each(|x, y, light| {
        let line = |v: f64| {
            let number = (v / pitch).round();
            let width = if number as i64 % 5 == 0 { 2.0 * fine } else { fine };
            (0.5 * width - (v - number * pitch).abs() + 0.5).clamp(0.0, 1.0)
        };
        let [u, v] = [x * turn.cos() - y * turn.sin(), x * turn.sin() + y * turn.cos()];
        light * (1.0 - depth * line(u).max(line(v)))
    });
    canvas
}

fn halftone(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.85);
    let [pitch, turn] = [dice.between(5.0, 12.0), dice.between(0.1, 0.8)];
    let waist = dice.wander(500.0);
    canvas.each(|x, y, light| {
        let [u, v] = [x * turn.cos() - y * turn.sin(), x * turn.sin() + y * turn.cos()];
        let off = (u - (u / pitch).round() * pitch).hypot(v - (v / pitch).round() * pitch);
        let tone = 0.5 + 0.3 * waist(x) * (-((y - MIDDLE) / 60.0).powi(2)).exp();
        let radius = 0.6 * pitch * tone.clamp(0.05, 1.0).sqrt();
        light * (1.0 - 0.93 * (radius - off + 0.5).clamp(0.0, 1.0))
    });
    canvas
}

fn screenshot(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, dice.pick(&[0.9, 0.05]));
    let ink = if canvas.light[0] > 0.5 { 0.05 } else { 0.8 };
    for _ in 0..(3 + dice.below(4)) {
        let [x, y] = [dice.between(0.0, 700.0).round(), dice.between(0.0, 240.0).round()];
        let [w, h] = [dice.between(150.0, 500.0).round(), dice.between(60.0, 200.0).round()];
        let face = dice.pick(&[0.95, 0.7, 0.5, 0.1]);
        canvas.rectangle(ink, [x, y, x + w, y + h]);
        canvas.rectangle(face, [x + 1.0, y + 1.0, x + w - 1.0, y + h - 1.0]);
        canvas.rectangle(0.2, [x + 1.0, y + 1.0, x + w - 1.0, y + 18.0]);
        for row in 0..((h as usize - 30) / 18) {
            let line = words(dice, 3);
            canvas.text(1.0 - face.round(), [x + 10.0, y + 36.0 + 18.0 * row as f64], 13.0, &line);
        }
    }
    let rule = dice.between(20.0, 340.0).round();
    canvas.rectangle(ink, [0.0, rule, WIDTH as f64, rule + dice.pick(&[1.0, 2.0, 4.0])]);
    canvas
}

fn several_burned(dice: &mut Dice) -> Drawn {
    let mut canvas = ground(dice);
    let count = 2 + dice.below(3);
    let pitch = dice.between(40.0, 75.0);
    let tone = dark(dice);
    let (same, _) = kerf(dice);
    for number in 0..count {
        let y = MIDDLE + pitch * (number as f64 - 0.5 * (count - 1) as f64);
        let shift = dice.normal(25.0);
        canvas.ribbon(tone, ENDS, |_| y, |x| same(x + shift));
    }
    Drawn { with_points: false, ..canvas.into() }
}

fn crossing_burned(dice: &mut Dice) -> Drawn {
    let mut canvas = ground(dice);
    let tone = dark(dice);
    for _ in 0..(2 + dice.below(2)) {
        let (width, _) = kerf(dice);
        let [at, slope] = [dice.between(350.0, 750.0), dice.between(-0.25, 0.25)];
        canvas.ribbon(tone, ENDS, |x| MIDDLE + slope * (x - at), width);
    }
    Drawn { with_points: false, ..canvas.into() }
}

fn crossing_pens(dice: &mut Dice, slopes: [f64; 2]) -> Canvas {
    let mut canvas = ground(dice);
    let [tone, width, at] = [dark(dice), dice.between(3.0, 8.0), dice.between(350.0, 750.0)];
    for sign in [-1.0, 1.0] {
        let slope = sign * 0.5 * dice.between(slopes[0], slopes[1]);
        canvas.ribbon(tone, ENDS, |x| MIDDLE + slope * (x - at), |_| width);
    }
    canvas
}

fn crack(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [slow, quick, open] = [dice.wander(400.0), dice.wander(25.0), dice.wander(120.0)];
    let [sway, jag, width, tone] =
        [dice.between(5.0, 40.0), dice.between(0.5, 4.0), dice.between(2.0, 7.0), dark(dice)];
    canvas.ribbon(
        tone,
        ENDS,
        |x| MIDDLE + sway * slow(x) + jag * quick(x),
        |x| width * (1.0 + 0.7 * open(x)).max(0.15),
    );
    canvas
}

fn grain(dice: &mut Dice, depth: f64) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, dice.pick(&[0.5, 0.3]));
    let depth = depth * dice.between(0.3, 1.0);
    streaks(&mut canvas, dice, depth);
    canvas
}

/// Dark year rings seen from the side, each of a width that changes slowly.
fn grain_bands(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [pitch, soft] = [dice.between(25.0, 80.0), dice.between(1.5, 8.0)];
    let tone = dice.between(0.1, 0.25);
    let sway = dice.wander(700.0);
    let mut y = 10.0;
    while y < HEIGHT as f64 {
        let width = dice.wander(350.0);
        let [mean, own] = [dice.between(4.0, 12.0), dice.between(0.1, 0.5)];
        canvas.paint(tone, soft, |x, v| {
            (v - y - 6.0 * sway(x + 0.2 * y)).abs() - 0.5 * mean * (1.0 + own * width(x)).max(0.1)
        });
        y += pitch * dice.between(0.6, 1.4);
    }
    canvas
}

/// One dark streak that is finest somewhere: soft to both sides, its tone changing as well.
fn grain_with_a_waist(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.5);
    streaks(&mut canvas, dice, 0.15);
    let [least, at, reach] = [dice.between(4.0, 9.0), dice.between(350.0, 750.0), dice.between(150.0, 350.0)];
    let [sway, waver, tone] = [dice.wander(500.0), dice.wander(60.0), dice.wander(150.0)];
    let [soft, depth] = [dice.between(3.0, 9.0), dice.between(0.4, 0.75)];
    canvas.each(|x, y, light| {
        let width = least * (1.0 + ((x - at) / reach).powi(2)) * (1.0 + 0.1 * waver(x));
        let cover = (0.5 - ((y - MIDDLE - 5.0 * sway(x)).abs() - 0.5 * width) / soft).clamp(0.0, 1.0);
        light * (1.0 - (depth * (1.0 + 0.15 * tone(x))).min(0.95) * cover)
    });
    canvas
}

/// Nested arches of a flat-sawn board.
fn flamed(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.45);
    let [pitch, bend, depth] = [dice.between(0.08, 0.25), dice.between(150.0, 500.0), dice.between(0.3, 0.8)];
    let waver = dice.wander(40.0);
    canvas.each(|x, y, light| {
        let ring = pitch * (((y - MIDDLE) / 1.5).powi(2) / bend + 0.15 * x + 4.0 * waver(y));
        light * (1.0 - depth * (0.5 + 0.5 * (TAU * ring / 2.0).sin()).powi(3))
    });
    canvas
}

fn knot(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.45);
    let [x0, y0, radius] = [dice.between(300.0, 800.0), dice.between(120.0, 240.0), dice.between(25.0, 90.0)];
    let [pitch, depth] = [dice.between(10.0, 30.0), dice.between(0.2, 0.6)];
    canvas.each(|x, y, light| {
        let [dx, dy] = [(x - x0) / 1.4, y - y0];
        let off = dx.hypot(dy);
        // Fibres run round it.
        let pushed = dy + dy.signum() * radius * (-off / (2.0 * radius)).exp();
        let fibre = 0.5 + 0.5 * (TAU * pushed / pitch).sin();
        if off < radius { light * (0.25 + 0.1 * (off / 2.5).sin()) } else { light * (1.0 - depth * fibre * fibre) }
    });
    canvas
}

fn joint(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [tone, slope, width] = [dice.between(0.7, 1.3), dice.normal(0.01), dice.between(2.0, 9.0)];
    let rough = dice.wander(50.0);
    let turn = dice.between(0.02, 0.3);
    canvas.each(|x, y, light| if y > MIDDLE + slope * (x - 550.0) { light * tone } else { light });
    canvas.ribbon(0.03, [0.0, WIDTH as f64], |x| MIDDLE + slope * (x - 550.0), |x| width * (1.0 + turn * rough(x)));
    canvas
}

/// Two boards laid together whose edges bow away from each other.
fn bowed_gap(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [least, at, gain, order] =
        [dice.between(3.0, 7.0), dice.between(350.0, 750.0), dice.between(8.0, 30.0), dice.pick(&[1.5, 2.0, 3.0])];
    canvas.ribbon(dark(dice), [0.0, WIDTH as f64], |_| MIDDLE, |x| least + gain * ((x - at).abs() / 500.0).powf(order));
    canvas
}

/// Two torn sheets on a dark table.
fn torn(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [upper, lower, fine] = [dice.wander(160.0), dice.wander(160.0), dice.wander(9.0)];
    let [gap, rough] = [dice.between(8.0, 24.0), dice.between(1.0, 4.0)];
    let tone = dark(dice);
    canvas.paint(tone, 2.0, |x, y| {
        let high = MIDDLE - gap - 0.7 * gap * upper(x) - rough * fine(x);
        let low = MIDDLE + gap + 0.7 * gap * lower(x) + rough * fine(x + 300.0);
        (high - y).max(y - low)
    });
    canvas
}

fn wedge(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [fine, wide] = [dice.between(0.0, 6.0), dice.between(14.0, 60.0)];
    canvas.ribbon(dark(dice), ENDS, |_| MIDDLE, |x| fine + (wide - fine) * (x - ENDS[0]) / (ENDS[1] - ENDS[0]));
    canvas
}

/// The dark gap between two light discs, or a light one between dark ones.
fn discs(dice: &mut Dice) -> Canvas {
    let [gap, radius] = [dice.between(3.0, 12.0), dice.between(300.0, 3000.0)];
    let [disc, table] = if dice.below(3) == 0 { [0.05, 0.7] } else { [0.75, 0.04] };
    let at = dice.between(400.0, 700.0);
    let mut canvas = Canvas::new(WIDTH, HEIGHT, table);
    for side in [-1.0, 1.0] {
        canvas.paint(disc, 1.2, |x, y| (x - at).hypot(y - MIDDLE - side * (0.5 * gap + radius)) - radius);
    }
    canvas
}

fn bow_tie(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [least, slope, at] = [dice.between(2.0, 10.0), dice.between(0.01, 0.25), dice.between(350.0, 750.0)];
    canvas.ribbon(dark(dice), ENDS, |_| MIDDLE, |x| least + slope * (x - at).abs());
    canvas
}

/// A bottle lying down: body, shoulder, neck, lip.
fn bottle(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [body, neck, lip] = [dice.between(30.0, 110.0), dice.between(8.0, 24.0), dice.between(1.1, 1.8)];
    let [shoulder, soft] = [dice.between(450.0, 650.0), dice.between(20.0, 90.0)];
    canvas.ribbon(
        dark(dice),
        ENDS,
        |_| MIDDLE,
        |x| {
            let fall = 0.5 - 0.5 * ((x - shoulder) / soft).tanh();
            let end = if x > 960.0 { lip } else { 1.0 };
            (neck + (body - neck) * fall) * end
        },
    );
    canvas
}

fn bone(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [shaft, head, reach] = [dice.between(6.0, 20.0), dice.between(1.6, 3.0), dice.between(30.0, 120.0)];
    let tone = dice.pick(&[0.05, 0.9]);
    canvas.ribbon(
        tone,
        ENDS,
        |_| MIDDLE,
        |x| {
            let near = (x - ENDS[0]).min(ENDS[1] - x);
            shaft * (1.0 + (head - 1.0) * (-(near / reach).powi(2)).exp())
        },
    );
    canvas
}

fn hourglass(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [neck, bulb, reach] = [dice.between(4.0, 12.0), dice.between(40.0, 140.0), dice.between(200.0, 430.0)];
    let at = dice.between(480.0, 620.0);
    canvas.ribbon(
        dark(dice),
        [at - reach, at + reach],
        |_| MIDDLE,
        |x| {
            let off = ((x - at).abs() / reach).min(1.0);
            neck + bulb * (0.5 - 0.5 * (PI * off).cos())
        },
    );
    canvas
}

fn lens(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [widest, at, reach] = [dice.between(10.0, 50.0), dice.between(400.0, 700.0), dice.between(300.0, 460.0)];
    let [soft, depth] = [dice.between(1.0, 12.0), dice.between(0.4, 0.9)];
    canvas.each(|x, y, light| {
        let width = widest * (1.0 - ((x - at) / reach).powi(2)).max(0.0);
        light * (1.0 - depth * (0.5 - ((y - MIDDLE).abs() - 0.5 * width) / soft).clamp(0.0, 1.0))
    });
    canvas
}

fn shadow(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [soft, depth, slope] = [dice.between(2.0, 60.0), dice.between(0.3, 0.8), dice.normal(0.03)];
    let band = dice.pick(&[8.0, 20.0, 1000.0]);
    canvas.each(|x, y, light| {
        let off = y - MIDDLE - slope * (x - 550.0);
        light * (1.0 - depth * (0.5 + off / soft).clamp(0.0, 1.0) * (0.5 + (band - off) / soft).clamp(0.0, 1.0))
    });
    canvas
}

fn rope(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [width, pitch] = [dice.between(12.0, 40.0), dice.between(15.0, 50.0)];
    let sway = dice.wander(600.0);
    let lean = dice.between(0.5, 1.5);
    canvas.each(|x, y, light| {
        let off = y - MIDDLE - 12.0 * sway(x);
        let half = 0.5 * width * (1.0 + 0.1 * (TAU * x / pitch).sin());
        let strand = 0.5 + 0.5 * (TAU * (x + lean * off) / pitch).sin();
        let round = (1.0 - (off / half).powi(2)).max(0.0).sqrt();
        let tone = 0.35 * (0.25 + 0.75 * strand) * (0.3 + 0.7 * round);
        light + (half - off.abs() + 0.5).clamp(0.0, 1.0) * (tone - light)
    });
    canvas
}

fn cable(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [width, shine] = [dice.between(8.0, 30.0), dice.between(0.02, 0.4)];
    let sway = dice.wander(700.0);
    let swing = dice.between(1.0, 30.0);
    canvas.each(|x, y, light| {
        let off = (y - MIDDLE - swing * sway(x)) / (0.5 * width);
        let tone = 0.03 + shine * (-((off + 0.3) / 0.2).powi(2)).exp();
        light + (0.5 * width * (1.0 - off.abs()) + 0.5).clamp(0.0, 1.0) * (tone - light)
    });
    canvas
}

fn chain(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [pitch, high, wire] = [dice.between(25.0, 90.0), dice.between(8.0, 25.0), dice.between(2.0, 5.0)];
    let tone = dark(dice);
    for link in 0..(900.0 / pitch) as usize {
        let x0 = 100.0 + pitch * link as f64;
        let [a, b] = [0.62 * pitch, if link % 2 == 0 { high } else { 0.3 * high }];
        canvas.paint(tone, 1.2, |x, y| {
            let off = ((x - x0) / a).hypot((y - MIDDLE) / b);
            ((off - 1.0) * b).abs() - 0.5 * wire
        });
    }
    canvas
}

fn pencil(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [width, depth, slope] = [dice.between(3.0, 9.0), dice.between(0.3, 0.75), dice.normal(0.01)];
    let [press, sway] = [dice.wander(200.0), dice.wander(500.0)];
    let grit: Vec<f64> = (0..WIDTH * HEIGHT).map(|_| dice.between(0.3, 1.0)).collect();
    canvas.each(|x, y, light| {
        let off = (y - MIDDLE - slope * (x - 550.0) - 2.0 * sway(x)).abs() - 0.5 * width * (1.0 + 0.08 * press(x));
        let cover = (0.5 - off / 1.6).clamp(0.0, 1.0) * f64::from(u8::from(x > ENDS[0] && x < ENDS[1]));
        light * (1.0 - depth * cover * grit[y as usize * WIDTH + x as usize])
    });
    canvas
}

fn pressed_pen(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let length = dice.pick(&[120.0, 250.0, 500.0]);
    let [press, sway] = [dice.wander(length), dice.wander(500.0)];
    let [width, change, tone] = [dice.between(4.0, 12.0), dice.between(0.1, 0.45), dark(dice)];
    canvas.ribbon(tone, ENDS, |x| MIDDLE + 3.0 * sway(x), |x| width * (1.0 + change * press(x)).max(0.2));
    canvas
}

fn brush(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [swell, hairs] = [dice.wander(300.0), dice.wander(3.0)];
    let [width, depth] = [dice.between(15.0, 60.0), dice.between(0.6, 0.95)];
    canvas.each(|x, y, light| {
        let share = (x - ENDS[0]) / (ENDS[1] - ENDS[0]);
        let half = 0.5 * width * (1.0 + 0.3 * swell(x)) * (1.0 - (2.0 * share - 1.0).powi(4)).max(0.0);
        let dry = 1.0 - 0.8 * share * (0.5 + 0.5 * hairs(y + 0.01 * x));
        light * (1.0 - depth * dry * (half - (y - MIDDLE).abs() + 0.5).clamp(0.0, 1.0))
    });
    canvas
}

fn drawn_twice(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [width, tone] = [dice.between(5.0, 10.0), dark(dice)];
    for _ in 0..2 {
        let sway = dice.wander(600.0);
        canvas.ribbon(tone, ENDS, |x| MIDDLE + 2.5 * sway(x), |_| width);
    }
    canvas
}

fn hair(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let sway = dice.wander(600.0);
    let [swing, width, tone] = [dice.between(2.0, 60.0), dice.between(1.5, 4.0), dark(dice)];
    canvas.ribbon(tone, ENDS, |x| MIDDLE + swing * sway(x), |x| width * ((ENDS[1] - x) / 200.0).clamp(0.2, 1.0));
    canvas
}

fn ruled(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [slope, width, tone] = [dice.normal(0.02), dice.between(1.0, 20.0), dark(dice)];
    canvas.ribbon(tone, ENDS, |x| MIDDLE + slope * (x - 550.0), |_| width);
    canvas
}

fn filled(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [high, pitch, tone] = [dice.between(20.0, 90.0), dice.between(2.5, 7.0), dark(dice)];
    let rough = dice.wander(3.0);
    canvas.each(|x, y, light| {
        let inside =
            (y - MIDDLE).abs() < 0.5 * high && x > ENDS[0] + 2.0 * rough(y) && x < ENDS[1] + 2.0 * rough(y + 90.0);
        if inside { tone + 0.08 * (1.0 + (TAU * y / pitch).sin()) } else { light }
    });
    canvas
}

fn dotted(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [pitch, radius, tone] = [dice.between(9.0, 30.0), dice.between(2.5, 6.0), dark(dice)];
    let changes = dice.below(2) == 0;
    let at = dice.between(350.0, 750.0);
    for dot in 0..(900.0 / pitch) as usize {
        let x = 100.0 + pitch * dot as f64;
        let grown = if changes { 1.0 + ((x - at) / 250.0).powi(2) } else { 1.0 };
        spot(&mut canvas, [x, MIDDLE], radius * grown.sqrt(), tone);
    }
    canvas
}

fn dashed(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [pitch, duty, width, tone] =
        [dice.between(25.0, 120.0), dice.between(0.4, 0.8), dice.between(3.0, 12.0), dark(dice)];
    let mut x = ENDS[0];
    while x < ENDS[1] {
        canvas.rectangle(tone, [x, MIDDLE - 0.5 * width, x + duty * pitch, MIDDLE + 0.5 * width]);
        x += pitch;
    }
    canvas
}

fn burned_with_gaps(dice: &mut Dice) -> Drawn {
    let mut canvas = ground(dice);
    let [pitch, duty] = [dice.between(30.0, 90.0), dice.between(0.5, 0.75)];
    let (width, _) = kerf(dice);
    canvas.ribbon(dark(dice), ENDS, |_| MIDDLE, |x| if (x / pitch).fract() < duty { width(x) } else { -4.0 });
    canvas.into()
}

fn sine(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [swing, period, width, tone] =
        [dice.between(4.0, 80.0), dice.between(60.0, 700.0), dice.between(3.0, 10.0), dark(dice)];
    canvas.paint(tone, 1.2, |x, y| {
        let [phase, slope] = [TAU * x / period, swing * TAU / period];
        let steep = (slope * phase.cos()).hypot(1.0);
        ((y - MIDDLE - swing * phase.sin()).abs() / steep - 0.5 * width).max(ENDS[0] - x).max(x - ENDS[1])
    });
    canvas
}

/// A crease: one flank lit, the other in its own shade.
fn fold(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [depth, width] = [dice.between(0.1, 0.6), dice.between(2.0, 15.0)];
    let [open, sway] = [dice.wander(300.0), dice.wander(800.0)];
    canvas.each(|x, y, light| {
        let off = (y - MIDDLE - 3.0 * sway(x)) / (width * (1.0 + 0.3 * open(x)));
        light * (1.0 - depth * (-(off * off)).exp() * (0.6 + off.tanh()))
    });
    canvas
}

fn scratch(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.06);
    streaks(&mut canvas, dice, 0.3);
    let [depth, sway] = [dice.wander(150.0), dice.wander(900.0)];
    let [width, tone] = [dice.between(3.0, 8.0), dice.between(0.4, 0.9)];
    canvas.ribbon(tone, ENDS, |x| MIDDLE + 6.0 * sway(x), |x| width * (1.0 + 0.35 * depth(x)).max(0.1));
    canvas
}

fn arc(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [radius, width, tone] = [dice.between(400.0, 8000.0), dice.between(3.0, 12.0), dark(dice)];
    let [from, to] = ENDS;
    canvas.paint(tone, 1.2, |x, y| {
        (((x - 550.0).hypot(y - MIDDLE - radius) - radius).abs() - 0.5 * width).max(from - x).max(x - to)
    });
    canvas
}

fn spiral(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [pitch, width, tone] = [dice.between(12.0, 50.0), dice.between(2.0, 6.0), dark(dice)];
    canvas.paint(tone, 1.2, |x, y| {
        let [dx, dy] = [x - 550.0, y - MIDDLE];
        let off = dx.hypot(dy) - pitch * dy.atan2(dx) / TAU;
        (off - (off / pitch).round() * pitch).abs() - 0.5 * width
    });
    canvas
}

fn rings(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [pitch, width, tone] = [dice.between(10.0, 60.0), dice.between(2.0, 6.0), dark(dice)];
    let centre = [dice.between(-300.0, 1400.0), dice.between(-200.0, 560.0)];
    canvas.paint(tone, 1.2, |x, y| {
        let off = (x - centre[0]).hypot(y - centre[1]);
        (off - (off / pitch).round() * pitch).abs() - 0.5 * width
    });
    canvas
}

/// Its far end, the datum, is not in the picture.
fn past_the_end(dice: &mut Dice) -> Drawn {
    let mut canvas = ground(dice);
    let (width, _) = kerf(dice);
    let from = if dice.below(2) == 0 { ENDS[0] } else { -20.0 };
    canvas.ribbon(dark(dice), [from, WIDTH as f64 + 20.0], |_| MIDDLE, width);
    Drawn { with_points: false, ..canvas.into() }
}

/// From its finest place outwards.
fn half(dice: &mut Dice) -> Drawn {
    let mut canvas = ground(dice);
    let (width, at) = kerf(dice);
    let is_right = dice.below(2) == 0;
    let ends = if is_right { [at, ENDS[1]] } else { [ENDS[0], at] };
    canvas.ribbon(dark(dice), ends, |_| MIDDLE, width);
    Drawn { ends: ends.map(|x| [x, MIDDLE]), ..canvas.into() }
}

fn fork(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [at, slope, width, tone] =
        [dice.between(300.0, 700.0), dice.between(0.02, 0.3), dice.between(4.0, 14.0), dark(dice)];
    canvas.stroke(tone, [ENDS[0], MIDDLE], [at, MIDDLE], width);
    for side in [-1.0, 1.0] {
        canvas.stroke(tone, [at, MIDDLE], [ENDS[1], MIDDLE + side * slope * (ENDS[1] - at)], width);
    }
    canvas
}

/// A midrib that thins out, and veins.
fn leaf(dice: &mut Dice) -> Canvas {
    let mut canvas = Canvas::new(WIDTH, HEIGHT, 0.7);
    canvas.paint(0.15, 2.0, |x, y| ((x - 550.0) / 480.0).powi(2) * 140.0 + (y - MIDDLE).abs() - 140.0);
    let tone = dice.pick(&[0.35, 0.05]);
    canvas.ribbon(tone, ENDS, |_| MIDDLE, |x| 10.0 * (1.05 - (x - ENDS[0]) / (ENDS[1] - ENDS[0])).max(0.0));
    let pitch = dice.between(40.0, 100.0);
    for vein in 0..(800.0 / pitch) as usize {
        let x = 120.0 + pitch * vein as f64;
        for side in [-1.0, 1.0] {
            canvas.stroke(tone, [x, MIDDLE], [x + 90.0, MIDDLE + side * 80.0], 2.5);
        }
    }
    canvas
}

fn rails(dice: &mut Dice) -> Canvas {
    let mut canvas = ground(dice);
    let [vanish, tone, width] = [dice.between(900.0, 1400.0), dark(dice), dice.between(2.0, 9.0)];
    for side in [-1.0, 1.0] {
        let spread = dice.between(20.0, 150.0);
        canvas.paint(tone, 1.2, |x, y| {
            let share = (vanish - x) / vanish;
            (to_segment([0.0, MIDDLE + side * spread], [vanish, MIDDLE], x, y) - width * share.max(0.05))
                .max(ENDS[0] - x)
        });
    }
    canvas
}
