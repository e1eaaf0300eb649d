//! What a line lies on: whether it ends on that ground, or runs on to where the ground ends.
//!
//! A burned line ends where the beam was switched off, with the strip's own material beyond it. A joint between boards, a
//! crack or a pencil line drawn along a rule runs on to the strip's edge.

use crate::locate::Course;
use crate::locate::refine::WidthGuide;
use crate::locate::trace::median;
use crate::photo::Photo;

/// Distance between places along the course, and from its end to the outermost, as shares of its length.
const STEP: f64 = 0.0025;
const REACH_STEPS: i32 = 24;
/// Places compared on each side of a supposed edge, and left out next to it (shadow, blur).
const SIDE: i32 = 7;
const GAP: i32 = 2;
/// An edge is looked for so many steps inside the course's end and beyond it.
const WITHIN: i32 = 8;
const BEYOND: i32 = 10;
/// Samples across, on each side of the line.
const SAMPLES: i32 = 24;
/// How far aside of the line the ground is looked at, as a share of the course's length.
const ASIDE: f64 = 0.03;
/// Change of the ground's light (natural log) at its edge; boards differ by less over so short a way.
const EDGE: f64 = 0.25;

/// Places along a course at which it is looked aside for what a gap is between.
const GAP_PLACES: i32 = 40;
/// Share of them on which it must show.
const GAP_SHARE: f64 = 0.6;
/// How far aside is looked, in widths and as a share of the course's length (beside a light line: its dark ground may be the char of a
/// filled band); the greater of both.
const GAP_WIDTHS: f64 = 4.0;
const GAP_REACH: f64 = 0.02;
const GAP_REACH_LIGHT: f64 = 0.04;
/// How far from a light line, as a share of the course's length, light beyond one of its flanks makes it the seam along the edge of a filled
/// band, whatever lies on its other side: nobody burns so close to the strip's edge.
const SEAM_REACH: f64 = 0.02;
/// Share of the step from core to flank within which the light beyond the flank is the core's again.
const GAP_RETURN: f64 = 0.2;
/// Least step (natural log) of a flank.
const GAP_STEP: f64 = 0.15;

/// True where what was followed is the gap between two things of the other sign: two lines side by side, or the seam in a filled
/// band. Beyond both its flanks, and not far away, the light is its own again; or, beside a light one, more than that beyond one of them.
pub fn is_gap(photo: &Photo, course: &Course, guide: &WidthGuide) -> bool {
    let length = course.end_px - course.start_px;
    let (sign, far) = if course.is_dark { (1.0, GAP_REACH) } else { (-1.0, GAP_REACH_LIGHT) };
    // How far aside the light is its own again, and clearly beyond its own, on both sides of a place; infinite where it is not.
    let returns = |place: i32| -> [[f64; 2]; 2] {
        let along = course.start_px + (f64::from(place) + 0.5) / f64::from(GAP_PLACES) * length;
        let width = guide.at(along);
        // Grain and noise are averaged along the line.
        let level = |across: f64| -> Option<f64> {
            let lights: Option<Vec<f64>> = (-2..=2)
                .map(|k| light(photo, course.place(along + f64::from(k) * (0.25 * width).max(1.0), across)))
                .collect();
            let lights = lights?;
            Some(sign * (lights.iter().sum::<f64>() / lights.len() as f64).max(1.0).ln())
        };
        let Some(core) = level(0.0) else { return [[f64::INFINITY; 2]; 2] };
        let reach = (GAP_WIDTHS * width).max(far * length);
        let step = (0.12 * width).max(1.0);
        [-1.0, 1.0].map(|side| {
            let [mut own, mut beyond] = [f64::INFINITY; 2];
            let mut highest = core;
            let mut across = 0.4 * width;
            while across < reach && beyond.is_infinite() {
                let Some(here) = level(side * across) else { break };
                highest = highest.max(here);
                let has_flank = highest - core > GAP_STEP;
                if has_flank && here - core < GAP_RETURN * (highest - core) {
                    own = own.min(across);
                    // Beside a dark line nothing more is asked.
                    beyond = if course.is_dark || core - here > GAP_STEP { across } else { beyond };
                }
                across += step;
            }
            [own, beyond]
        })
    };
    let places: Vec<[[f64; 2]; 2]> = (0..GAP_PLACES).map(returns).collect();
    let is_most = |holds: &dyn Fn(&[[f64; 2]; 2]) -> bool| {
        let count = places.iter().filter(|place| holds(place)).count();
        count as f64 > GAP_SHARE * f64::from(GAP_PLACES)
    };
    is_most(&|place| place.iter().all(|[own, _]| own.is_finite()))
        || (!course.is_dark && [0, 1].into_iter().any(|side| is_most(&|place| place[side][1] < SEAM_REACH * length)))
}

/// True where the line runs on to the edge of its ground, or out of the picture, at both ends.
pub fn runs_off(photo: &Photo, course: &Course, guide: &WidthGuide) -> bool {
    [(course.start_px, -1.0), (course.end_px, 1.0)]
        .into_iter()
        .all(|(end_px, outward)| ends_at_an_edge(photo, course, guide, end_px, outward))
}

fn ends_at_an_edge(photo: &Photo, course: &Course, guide: &WidthGuide, end_px: f64, outward: f64) -> bool {
    let length = course.end_px - course.start_px;
    let from = 0.8 * guide.at(end_px) + 2.0;
    // Ground at every place, inside to outside; `None` where most of it is out of the picture.
    let ground: Vec<Option<f64>> = (-REACH_STEPS..=REACH_STEPS)
        .map(|step| {
            let along = end_px + outward * f64::from(step) * STEP * length;
            let lights: Vec<f64> = (-SAMPLES..=SAMPLES)
                .filter(|k| *k != 0)
                .filter_map(|k| {
                    let aside = from + f64::from(k.abs()) / f64::from(SAMPLES) * ASIDE * length;
                    light(photo, course.place(along, aside.copysign(f64::from(k))))
                })
                .collect();
            (lights.len() > SAMPLES as usize).then(|| median(lights))
        })
        .collect();
    let side = |from: i32, to: i32| -> Option<f64> {
        let places = &ground[(from + REACH_STEPS) as usize..(to + REACH_STEPS) as usize];
        Some(median(places.iter().copied().collect::<Option<Vec<f64>>>()?))
    };
    (-WITHIN..=BEYOND).any(|at| {
        let inside = side(at - GAP - SIDE, at - GAP);
        let outside = side(at + GAP, at + GAP + SIDE);
        inside.is_some_and(|inside| {
            // Out of the picture is off the ground, too.
            outside.is_none_or(|outside| (outside.max(1.0) / inside.max(1.0)).ln().abs() > EDGE)
        })
    })
}

/// Light (white = 65535) at a place; `None` outside the picture.
pub fn light(photo: &Photo, [x, y]: [f64; 2]) -> Option<f64> {
    let is_inside = x >= 0.0 && y >= 0.0 && x < photo.width() as f64 && y < photo.height() as f64;
    is_inside.then(|| f64::from(photo.plane.at([y as usize, x as usize])))
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    const WIDTH_PX: f64 = 12.0;

    /// A straight course along the middle of a picture, in which light depends on the place across alone.
    fn is_a_gap(is_dark: bool, light: impl Fn(f64) -> u16) -> bool {
        let luminance = Array2::from_shape_fn((200, 800), |(y, _)| light(y as f64 + 0.5 - 100.0));
        let photo = Photo::from_light(luminance);
        let course = Course {
            origin_px: [0.0, 100.0],
            direction: [1.0, 0.0],
            start_px: 100.0,
            end_px: 700.0,
            step_px: 50.0,
            offsets_px: vec![0.0; 13],
            is_dark,
        };
        is_gap(&photo, &course, &WidthGuide { along_px: vec![100.0, 700.0], width_px: vec![WIDTH_PX; 2] })
    }

    #[test]
    fn what_lies_between_two_lines_or_in_char_is_a_gap_and_a_line_is_none() {
        let [ground, char] = [30000, 4000];
        let in_the_line = |across: f64| across.abs() < 0.5 * WIDTH_PX;
        let in_a_flank = |across: f64| (0.5 * WIDTH_PX..1.5 * WIDTH_PX).contains(&across.abs());
        // The strip seen between two dark lines, and a dark gap between two light things.
        assert!(is_a_gap(false, |across| if in_a_flank(across) { char } else { ground }));
        assert!(is_a_gap(true, |across| if in_a_flank(across) { ground } else { char }));
        // One line, dark or light.
        assert!(!is_a_gap(true, |across| if in_the_line(across) { char } else { ground }));
        assert!(!is_a_gap(false, |across| if in_the_line(across) { ground } else { char }));
    }

    /// Char without an end in sight on one side, soot that pales towards the strip on the other: the last gap of a filled band.
    #[test]
    fn a_light_seam_along_the_edge_of_a_filled_band_is_a_gap() {
        let seam = |pales_px: f64| {
            is_a_gap(false, move |across| {
                let soot = 1.0 + 9.0 * ((across - 0.5 * WIDTH_PX) / pales_px).clamp(0.0, 1.0);
                if across.abs() < 0.5 * WIDTH_PX { 5000 } else { (3000.0 * soot) as u16 }
            })
        };
        assert!(seam(30.0));
        // A coating whose other side lies in a light that changes slowly.
        assert!(!seam(300.0));
    }
}
