//! A ramp to cut once from sheet: two cheeks and a seat, with a stop at the low end and the rise engraved.
//!
//! The seat lies between the cheeks, its tabs in notches that are open at the cheeks' upper edge, so that it drops in from
//! above and its top is flush with that edge. The strip lies on both and against the hooks at the low end of the cheeks.

use std::fmt::Write as _;

use super::path::{Drawing, Stroke, grown};
use super::setup_file::digits;
use super::{Plan, PlanError};
use crate::report::strokes::{cannot_write, capital_height_for, letter};

/// Play of a tab in its notch, so that it goes in by hand (common practice, no source).
const PLAY_MM: f64 = 0.1;
/// Sheet left below the seat at the low end, and the hook's length.
const FOOT_MM: f64 = 8.0;
const HOOK_MM: f64 = 8.0;
/// Share of the strip's thickness that the hook stands up: below its top, so that no nozzle meets it.
const HOOK_SHARE: f64 = 0.7;
/// Narrowest seat between the cheeks.
const LEAST_SEAT_MM: f64 = 8.0;
/// Length of a tab, at most, and over the seat's length.
const TAB_MM: f64 = 20.0;
const TAB_SHARE: f64 = 0.12;
/// Between parts on the sheet.
const APART_MM: f64 = 5.0;
const CAPITAL_MM: f64 = 4.0;

/// The sheet and the beam that cuts it. Millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CutFrom {
    /// The sheet's thickness.
    pub sheet_thickness_mm: f64,
    /// Width that the beam takes away.
    pub kerf_mm: f64,
}

/// The ramp's drawings and its file.
#[derive(Debug, Clone, PartialEq)]
pub struct Cradle {
    /// Contours to cut.
    pub cut: Drawing,
    /// What to engrave.
    pub engrave: Drawing,
    /// The ramp file, its measured lines still to be filled in.
    pub ramp_file: String,
    /// The parts without any kerf added, in their own coordinates: cheek and seat.
    pub parts: Parts,
}

/// Contours as they should come out, mm. The cheek's x runs level from the stop's foot and y up from the bed; the seat's x runs
/// along the slope and y across it.
#[derive(Debug, Clone, PartialEq)]
pub struct Parts {
    /// A cheek; two of them.
    pub cheek: Vec<[f64; 2]>,
    /// The seat.
    pub seat: Vec<[f64; 2]>,
}

/// The ramp for a plan.
///
/// # Errors
/// A sheet or kerf outside its limits, or a strip too narrow for two cheeks and a seat.
pub fn cradle(plan: &Plan, from: CutFrom) -> Result<Cradle, PlanError> {
    check(plan, from)?;
    let parts = parts(plan, from.sheet_thickness_mm);
    let by = 0.5 * from.kerf_mm;
    let [cheek, seat] = [&parts.cheek, &parts.seat].map(|part| grown(part, by));
    let mut sheet = Sheet::default();
    // Both cheeks from the same side of the sheet: their kerfs slant alike, and one is turned round when glued.
    let mut engraved = vec![];
    for _ in 0..2 {
        let placed = sheet.place(&cheek, true);
        engraved.extend(cheek_note(plan, &parts, placed)?);
    }
    let placed = sheet.place(&seat, false);
    engraved.extend(seat_note(plan, from, placed));
    let size_mm = [sheet.width + 2.0 * APART_MM, sheet.down + APART_MM];
    Ok(Cradle {
        cut: Drawing { size_mm, strokes: sheet.strokes },
        engrave: Drawing { size_mm, strokes: engraved },
        ramp_file: ramp_file(plan),
        parts,
    })
}

fn check(plan: &Plan, from: CutFrom) -> Result<(), PlanError> {
    let thickest = 0.5 * (plan.request.strip_width_mm - LEAST_SEAT_MM);
    let limits = [
        ("sheet_thickness_mm", from.sheet_thickness_mm, 1.0, thickest.min(20.0)),
        ("kerf", from.kerf_mm, 0.0, 0.5 * from.sheet_thickness_mm),
    ];
    for (field, given, least, most) in limits {
        if !(least..=most).contains(&given) {
            return Err(PlanError::OutOfRange { field, given, least, most, unit: "mm" });
        }
    }
    Ok(())
}

/// Places of the tabs along the slope: near both ends, and between them on a long seat.
fn tabs(length_mm: f64) -> Vec<[f64; 2]> {
    let tab = (TAB_SHARE * length_mm).min(TAB_MM);
    let centres: &[f64] = if length_mm > 150.0 { &[0.14, 0.5, 0.86] } else { &[0.2, 0.8] };
    centres.iter().map(|share| [share * length_mm - 0.5 * tab, share * length_mm + 0.5 * tab]).collect()
}

fn parts(plan: &Plan, sheet_mm: f64) -> Parts {
    let request = &plan.request;
    let [sin, cos] = [plan.ramp.angle().sin(), plan.ramp.angle().cos()];
    let length = request.strip_length_mm;
    // Along the slope u from the stop's face, v up from the upper edge.
    let base = FOOT_MM + sheet_mm / cos + HOOK_MM * sin;
    let level = |[u, v]: [f64; 2]| [u * cos - v * sin, base + u * sin + v * cos];
    let hook = HOOK_SHARE * request.strip_thickness_mm;
    let mut cheek: Vec<[f64; 2]> = vec![level([-HOOK_MM, hook]), level([0.0, hook]), level([0.0, 0.0])];
    for [a, b] in tabs(length) {
        cheek.extend([[a, 0.0], [a, -sheet_mm], [b, -sheet_mm], [b, 0.0]].map(level));
    }
    let high = level([length, 0.0]);
    let low = level([-HOOK_MM, hook]);
    cheek.extend([high, [high[0], 0.0], [low[0], 0.0]]);
    // The seat with its tabs is as wide as the strip.
    let inside = request.strip_width_mm - 2.0 * sheet_mm;
    let mut near: Vec<[f64; 2]> = vec![[0.0, 0.0]];
    for [a, b] in tabs(length) {
        let [a, b] = [a + 0.5 * PLAY_MM, b - 0.5 * PLAY_MM];
        near.extend([[a, 0.0], [a, -sheet_mm], [b, -sheet_mm], [b, 0.0]]);
    }
    near.push([length, 0.0]);
    let far = near.iter().rev().map(|[x, y]| [*x, inside - y]);
    let seat = near.iter().copied().chain(far).collect();
    Parts { cheek, seat }
}

/// Parts one below the other.
#[derive(Default)]
struct Sheet {
    strokes: Vec<Stroke>,
    width: f64,
    down: f64,
}

/// Where a part came to lie: its own origin on the page, and whether its y runs up.
#[derive(Clone, Copy)]
struct Placed {
    origin: [f64; 2],
    is_up: bool,
}

impl Placed {
    fn to_page(self, [x, y]: [f64; 2]) -> [f64; 2] {
        [self.origin[0] + x, self.origin[1] + if self.is_up { -y } else { y }]
    }
}

impl Sheet {
    fn place(&mut self, contour: &[[f64; 2]], is_up: bool) -> Placed {
        let extent = |axis: usize| {
            let values = contour.iter().map(|point| point[axis]);
            [values.clone().fold(f64::MAX, f64::min), values.fold(f64::MIN, f64::max)]
        };
        let [[left, right], [low, high]] = [extent(0), extent(1)];
        let top = self.down + APART_MM;
        let origin = [APART_MM - left, if is_up { top + high } else { top - low }];
        let placed = Placed { origin, is_up };
        self.strokes.push(Stroke::closed(contour.iter().map(|point| placed.to_page(*point)).collect::<Vec<_>>()));
        self.width = self.width.max(right - left);
        self.down = top + high - low;
        placed
    }
}

/// The rise, engraved on the high half of a cheek, where there is room.
fn cheek_note(plan: &Plan, parts: &Parts, placed: Placed) -> Result<Vec<Stroke>, PlanError> {
    let ramp = &plan.ramp;
    let rises = format!("RISE {} ON {} MM", digits(ramp.rise_mm), digits(ramp.travel_mm));
    let mut lines = vec![rises];
    if let Some(name) = &plan.request.name {
        if let Some(letter) = cannot_write(name) {
            return Err(PlanError::CannotWrite { field: "name", letter });
        }
        lines.push(name.split_whitespace().collect::<Vec<_>>().join(" "));
    }
    let right = parts.cheek.iter().map(|point| point[0]).fold(f64::MIN, f64::max);
    // Below the notches at half the cheek's length, down to the bed: as tall as there is room for.
    let sheet_mm = parts.seat.iter().map(|point| -point[1]).fold(f64::MIN, f64::max);
    let from = [0.5 * right, 3.0];
    let height = FOOT_MM + from[0] * ramp.angle().tan() - sheet_mm - 2.0 - from[1];
    let capital = (height / (1.6 * lines.len() as f64)).min(CAPITAL_MM);
    let mut strokes = vec![];
    for (index, line) in lines.iter().rev().enumerate() {
        let capital = capital_height_for(line, 0.42 * right, capital);
        if capital >= 1.0 {
            let baseline = placed.to_page([from[0], from[1] + 0.5 + index as f64 * 1.6 * capital]);
            strokes.extend(letter(line, capital).moved(baseline).strokes.into_iter().map(Stroke::open));
        }
    }
    Ok(strokes)
}

/// LOW on the seat's low end.
fn seat_note(plan: &Plan, from: CutFrom, placed: Placed) -> Vec<Stroke> {
    let inside = plan.request.strip_width_mm - 2.0 * from.sheet_thickness_mm;
    let capital = CAPITAL_MM.min(0.5 * inside);
    let at = placed.to_page([4.0, 0.5 * (inside + capital)]);
    letter("LOW", capital).moved(at).strokes.into_iter().map(Stroke::open).collect()
}

/// The ramp file as it is to be written: what is measured stays commented until it is.
fn ramp_file(plan: &Plan) -> String {
    let ramp = &plan.ramp;
    let name = plan.request.name.as_deref().unwrap_or("ramp");
    let name: String = name.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect();
    let mut text = String::new();
    let travel = digits(ramp.travel_mm);
    // One tenth of a millimetre at each of two heights, as an angle.
    let sureness = (0.1 * std::f64::consts::SQRT_2 / ramp.travel_mm).atan().to_degrees();
    let _ = write!(
        text,
        "# Ramp: {name}. Measure it once, take the # away, and name this file in later setups:\n\
         # ramp_file = \"ramp.toml\" under [ramp], and no other way of saying how steep.\n\
         #\n\
         # Stand the ramp on the bed. With a caliper, or blocks under a straight edge, measure the height of its upper edge\n\
         # over the bed at two places {travel} mm apart, level. Then\n\
         #   incline_deg = atan((high - low) / {travel})\n\
         # Measured to 0.1 mm each, that is sure to {sureness:.2} degrees.\n\
         # incline_deg =              # planned {:.2}\n\
         # incline_u_deg = {sureness:.2}\n",
        ramp.incline_deg
    );
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{PlanRequest, plan};

    fn example() -> (Plan, Cradle) {
        let plan = plan(&PlanRequest::new(50.8, 7.0)).unwrap();
        let cradle = cradle(&plan, CutFrom { sheet_thickness_mm: 4.0, kerf_mm: 0.2 }).unwrap();
        (plan, cradle)
    }

    #[test]
    fn the_upper_edge_rises_as_planned() {
        let (plan, cradle) = example();
        let cheek = &cradle.parts.cheek;
        // The stop's foot and the high end are the upper edge's ends.
        let [foot, high] = [cheek[2], cheek[cheek.len() - 3]];
        let slope = (high[1] - foot[1]) / (high[0] - foot[0]);
        assert!((slope - plan.ramp.rise_mm / plan.ramp.travel_mm).abs() < 1e-9);
        assert!((high[0] - foot[0]).hypot(high[1] - foot[1]) - plan.request.strip_length_mm < 1e-9);
        // It stands flat, and nowhere below the bed.
        assert!(cheek[cheek.len() - 2][1] == 0.0 && cheek[cheek.len() - 1][1] == 0.0);
        assert!(cheek.iter().all(|point| point[1] >= 0.0));
    }

    #[test]
    fn the_hook_stays_below_the_strips_top() {
        let (plan, cradle) = example();
        let [hook, foot] = [cradle.parts.cheek[1], cradle.parts.cheek[2]];
        let height = (hook[0] - foot[0]).hypot(hook[1] - foot[1]);
        assert!(height < plan.request.strip_thickness_mm && height > 0.5 * plan.request.strip_thickness_mm);
    }

    /// Cut along the drawn paths by a beam that takes half its width from each side, tabs fit their notches with the play.
    #[test]
    fn tabs_fit_their_notches_after_the_cut() {
        let (_, cradle) = example();
        let [cheek, seat] = [&cradle.cut.strokes[0].points, &cradle.cut.strokes[2].points];
        let along = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
        // The drawn notch is narrower and the drawn tab longer by the kerf.
        let notch = along(cheek[4], cheek[5]) + 0.2;
        let tab = along(seat[2], seat[3]) - 0.2;
        assert!((notch - tab - PLAY_MM).abs() < 1e-9, "notch {notch}, tab {tab}");
        // As deep as the sheet is thick, so that the seat is flush: its bottom is drawn half a kerf high.
        let depth = along(cheek[3], cheek[4]);
        assert!((depth - 4.0).abs() < 1e-9, "{depth}");
        // A tab reaches through one cheek.
        assert!((along(seat[1], seat[2]) - 4.0).abs() < 1e-9);
    }

    #[test]
    fn parts_do_not_overlap_and_stay_on_the_page() {
        let (_, cradle) = example();
        let extent = |stroke: &Stroke| {
            let ys = stroke.points.iter().map(|point| point[1]);
            [ys.clone().fold(f64::MAX, f64::min), ys.fold(f64::MIN, f64::max)]
        };
        let parts: Vec<[f64; 2]> = cradle.cut.strokes.iter().map(extent).collect();
        assert!(parts.windows(2).all(|pair| pair[1][0] > pair[0][1] + 4.0), "{parts:?}");
        for drawing in [&cradle.cut, &cradle.engrave] {
            for [x, y] in drawing.strokes.iter().flat_map(|stroke| &stroke.points) {
                assert!((0.0..=drawing.size_mm[0]).contains(x) && (0.0..=drawing.size_mm[1]).contains(y));
            }
        }
    }

    #[test]
    fn a_strip_too_narrow_for_its_sheet_names_the_limit() {
        let mut request = PlanRequest::new(50.8, 7.0);
        request.strip_width_mm = 12.0;
        let plan = plan(&request).unwrap();
        let error = cradle(&plan, CutFrom { sheet_thickness_mm: 4.0, kerf_mm: 0.2 }).unwrap_err();
        assert!(matches!(error, PlanError::OutOfRange { field: "sheet_thickness_mm", .. }), "{error}");
    }
}
