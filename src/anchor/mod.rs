//! Stage 3: ties the course to the ramp by one of the four datums, with what is known of scale and perspective.

pub mod breaks;
pub mod ends;
mod mark_map;
pub mod marks;
mod placing;
mod run_off;
mod steps;
pub mod strip;
pub mod ticks;
pub mod tie;

use std::ops::Range;
use std::sync::OnceLock;

use crate::cautions::{Caution, CautionCode};
use crate::locate::coarse::Coarse;
use crate::locate::refine::WidthGuide;
use crate::locate::{Course, Tie};
use crate::photo::Photo;
use crate::setup::{Datum, Setup};
use ends::LineEnd;
use strip::Outline;
use tie::{Perspective, TieError, TiePoint};

/// Disagreement of a resolution with the known length beyond which it is not believed.
const RESOLUTION_TOLERANCE: f64 = 0.02;
/// Long edges of a sawn or cut strip are parallel within about this share of its width (common practice, no source).
const STRIP_TAPER: f64 = 0.003;
/// Standard uncertainty of the tilt (radians, about 3.5°) of a picture that may be a photograph and shows no edges, and the focal length
/// over the picture's long side of a telephone's camera (27 mm on a frame of 36 mm): both common practice, no source.
const UNSEEN_TILT: f64 = 0.06;
const FOCAL_OVER_SIDE: f64 = 0.75;
/// The same tilt, so many times: beyond it a convergence is doubted.
const UNLIKELY_TILTS: f64 = 3.0;
/// Convergence of the edges (ln k) beyond which they are something else's; a tilt of 15° as near as the line is long makes it.
const MOST_LN_K: f64 = 0.25;
/// Radial distortion at the picture's corners, over the distance from its middle, as a standard uncertainty: what a telephone leaves in
/// its pictures (common practice, no source).
const UNSEEN_DISTORTION: f64 = 0.01;

/// Greatest angle (radians, about 1.3°) between the line and the strip's edges.
const EDGE_ANGLE: f64 = 0.022;
/// Disagreement (natural log) between an outline's width and the strip's beyond which its edges are something else's; a slant of 20°
/// makes 0.06.
const PROPORTIONS: f64 = 0.1;
/// How far a shadow's rim lies beyond the strip's edge, as a share of the strip's length.
const SHADOW: Range<f64> = 0.003..0.04;
/// How far beyond the visible line index marks are looked for, as shares of its length: first and, where that fails, then.
const BESIDE_THE_LINE: f64 = 0.05;
const BEYOND_ITS_ENDS: f64 = 0.6;
/// Marks beside the line that are placed by themselves.
const ENOUGH_MARKS: usize = 8;

/// A tied course with what came to light on the way.
#[derive(Debug, Clone)]
pub struct Tied {
    /// The map.
    pub tie: Tie,
    /// Corners of the strip where its outline was found.
    pub outline_px: Option<[[f64; 2]; 4]>,
    /// True where the picture is a scan whose resolution agrees with the lengths given.
    pub is_scan: bool,
    /// Doubts.
    pub cautions: Vec<Caution>,
}

/// What stages 1 to 4 found.
#[derive(Debug, Clone, Copy)]
pub struct Found<'a> {
    /// The picture.
    pub photo: &'a Photo,
    /// The reduced picture.
    pub coarse: &'a Coarse,
    /// The line's course, trimmed to its visible ends.
    pub course: &'a Course,
    /// Rough width along it.
    pub guide: &'a WidthGuide,
    /// Its two ends, in order along the course.
    pub ends: &'a [LineEnd; 2],
    /// The strip's long edges beside it, looked for when they are first wanted.
    pub edges: &'a OnceLock<[Option<strip::EdgeLine>; 2]>,
}

/// Ties the course by the setup's datum, or by datums given by hand (low, then high).
///
/// # Errors
/// [`TieError`]: the picture cannot be tied to the ramp.
pub fn tie(found: &Found, setup: &Setup, given_px: Option<[[f64; 2]; 2]>) -> Result<Tied, TieError> {
    let course = found.course;
    let span_mm = setup.ramp.span_mm;
    let clear_px = 1.5 * found.guide.width_px.iter().copied().fold(0.0, f64::max) + 6.0;
    let Found { photo, coarse, .. } = *found;
    let search = strip::Search { photo, coarse, course, clear_px, slopes_count: true };
    let long_edges = || *found.edges.get_or_init(|| search.long_edges());
    // In a photograph's plain view; edges that make the strip wider or narrower than it is are something else's.
    let is_as_wide = |outline: &Outline, mm_per_px: f64| {
        let middle = 0.5 * (course.start_px + course.end_px);
        let width_px = outline.width_at(middle);
        setup.ramp.strip_width_mm.zip(width_px).is_none_or(|(mm, px)| (px * mm_per_px / mm).ln().abs() < PROPORTIONS)
    };
    let mut outline = Outline { long: [None; 2], short: [None; 2] };
    let mut cautions = Vec::new();

    let (name, points) = if let Some([low, high]) = given_px {
        ("points", ordered(by_hand(course, low, high, span_mm)))
    } else {
        match &setup.picture.datum {
            Datum::Ends => {
                let rising = tie::is_rising(course, setup.picture.low_end)?;
                ("ends", tie::end_points(found.ends, rising, span_mm)?)
            }
            Datum::Points { points_px, travel_mm, u_px } => {
                let point = |i: usize| TiePoint {
                    along_px: course.along_across(points_px[i])[0],
                    u_px: *u_px,
                    position_mm: setup.ramp.surface_from_travel(travel_mm[i]),
                };
                ("points", ordered([point(0), point(1)]))
            }
            Datum::Strip => {
                let rising = tie::is_rising(course, setup.picture.low_end)?;
                let is_stroke_s = [0, 1].map(|index| found.ends[index].datum.is_some());
                let is_as_wide = |outline: &Outline, length_px: f64| is_as_wide(outline, span_mm / length_px);
                let whole = search.outline(long_edges(), is_stroke_s, is_as_wide);
                let mut ends;
                (outline, ends) = whole.ok_or(TieError::StripNotFound)?;
                // The greatest change of light may be the rim of a shadow: the strip's edge is then a step a little inside it.
                let search = strip::Search { slopes_count: false, ..search };
                if let Some((_, steps)) = search.outline(search.long_edges(), is_stroke_s, is_as_wide) {
                    let length_px = ends[1].v0_px - ends[0].v0_px;
                    let beyond = [steps[0].v0_px - ends[0].v0_px, ends[1].v0_px - steps[1].v0_px];
                    for index in 0..2 {
                        if SHADOW.contains(&(beyond[index] / length_px)) {
                            ends[index] = steps[index];
                            outline.short[index] = Some(steps[index]);
                        }
                    }
                }
                let [start, end] = ends;
                let point = |edge: strip::EdgeLine, is_low: bool| TiePoint {
                    along_px: edge.v0_px,
                    u_px: edge.u_px.hypot(0.3),
                    position_mm: if is_low { 0.0 } else { span_mm },
                };
                ("strip", [point(start, rising), point(end, !rising)])
            }
            Datum::Marks { pitch_mm, last } => {
                let tie = by_marks(found, setup, *pitch_mm, *last, clear_px)?;
                let points = [tie.samples[0], tie.samples[tie.samples.len() - 1]].map(|s| TiePoint {
                    along_px: s.along_px,
                    u_px: 0.0,
                    position_mm: s.position_mm,
                });
                let is_scan = is_scan(found.photo, setup, course, &points, "marks", &mut cautions)?;
                return Ok(Tied { tie, outline_px: None, is_scan, cautions });
            }
        }
    };
    let is_scan = is_scan(found.photo, setup, course, &points, name, &mut cautions)?;
    if !is_scan && name != "strip" {
        // Only their convergence is wanted, and a scan has none.
        outline.long = long_edges();
        let mm_per_px =
            (points[1].position_mm - points[0].position_mm).abs() / (points[1].along_px - points[0].along_px);
        if !is_as_wide(&outline, mm_per_px) {
            // One of the two is wrong: the edges, or the length between the datums.
            let is_stroke_s = [0, 1].map(|index| found.ends[index].datum.is_some());
            let of_strip = setup.ramp.strip_length_mm.and_then(|length_mm| {
                let is_as_wide = |outline: &Outline, length_px: f64| is_as_wide(outline, length_mm / length_px);
                let (outline, [start, end]) = search.outline(outline.long, is_stroke_s, is_as_wide)?;
                let length_px = end.v0_px - start.v0_px;
                (outline.long.iter().all(Option::is_some) && is_as_wide(&outline, length_px))
                    .then_some(length_mm / length_px)
            });
            let ratio = of_strip.map_or(1.0, |of_strip| of_strip / mm_per_px);
            if ratio.ln().abs() > PROPORTIONS {
                return Err(TieError::StripDisagrees { ratio, is_by_ends: name == "ends" });
            }
            outline.long = [None; 2];
        }
    }
    let size_px = [found.photo.width() as f64, found.photo.height() as f64];
    let between_datums_px = points[1].along_px - points[0].along_px;
    let (perspective, unseen) = perspective(&outline, course, is_scan, size_px, between_datums_px);
    if unseen {
        cautions.push(Caution::new(
            CautionCode::Perspective,
            "the picture may be a photograph taken at a slant and the strip's edges do not show by how much; \
             the give-or-take allows for it",
        ));
    }
    let tie = tie::two_point(course, name, points, &perspective, span_mm);
    Ok(Tied { tie, outline_px: outline.corners(course), is_scan, cautions })
}

fn by_marks(found: &Found, setup: &Setup, pitch_mm: f64, last: usize, clear_px: f64) -> Result<Tie, TieError> {
    let course = found.course;
    // Without low_end both ways are tried; with it, it must lie along the line.
    let is_rising = setup.picture.low_end.map(|side| tie::is_rising(course, Some(side))).transpose()?;
    let mark_setup = marks::MarkSetup {
        pitch_mm: setup.ramp.surface_from_travel(pitch_mm),
        last,
        span_mm: setup.ramp.span_mm,
        is_rising,
    };
    // Halves reach 12 mm out; in a close picture a mm is at most so many pixels.
    let most_px_per_mm = (course.end_px - course.start_px) / (3.5 * pitch_mm);
    let farthest = 15.0 * most_px_per_mm;
    let placed = |beyond: f64| {
        let look = |positive| ticks::find(found.coarse, course, positive, [clear_px, farthest], beyond);
        let (positive, negative) = rayon::join(|| look(true), || look(false));
        let ticks: Vec<ticks::Tick> = positive.into_iter().chain(negative).collect();
        marks::tie(found.photo, course, &ticks, &mark_setup)
    };
    // Beside the line first, where little else looks like a mark; a line can fade where its marks do not.
    match placed(BESIDE_THE_LINE) {
        // Of a few one half misread can decide which they are: where more show beyond the line's ends, they tell.
        Ok(few) if few.marks.len() < ENOUGH_MARKS => {
            let more = placed(BEYOND_ITS_ENDS).ok().filter(|more| more.marks.len() > few.marks.len());
            Ok(more.unwrap_or(few))
        }
        Err(why @ (TieError::MarksNotFound { .. } | TieError::MarksAmbiguous)) => {
            placed(BEYOND_ITS_ENDS).map_err(|_| why)
        }
        other => other,
    }
}

fn by_hand(course: &Course, low: [f64; 2], high: [f64; 2], span_mm: f64) -> [TiePoint; 2] {
    let point = |place, position_mm| TiePoint { along_px: course.along_across(place)[0], u_px: 1.0, position_mm };
    [point(low, 0.0), point(high, span_mm)]
}

/// In order along the course.
fn ordered(points: [TiePoint; 2]) -> [TiePoint; 2] {
    let [a, b] = points;
    if a.along_px <= b.along_px { [a, b] } else { [b, a] }
}

/// Compares the known length with the setup's or the file's resolution; true for a scan: where a resolution is believed and no camera took
/// the picture.
fn is_scan(
    photo: &Photo,
    setup: &Setup,
    course: &Course,
    points: &[TiePoint; 2],
    datum: &str,
    cautions: &mut Vec<Caution>,
) -> Result<bool, TieError> {
    let length_px = points[1].along_px - points[0].along_px;
    let length_mm = (points[1].position_mm - points[0].position_mm).abs();
    let ratio_for = |dpi: [f64; 2]| {
        // Pixels per mm may differ between the axes of a scan.
        let per_mm = |axis: usize| dpi[axis] / 25.4;
        let [dx, dy] = course.direction;
        let mm_along = (dx / per_mm(0)).hypot(dy / per_mm(1));
        length_px * mm_along / length_mm
    };
    if let Some(dpi) = setup.picture.dpi {
        let ratio = ratio_for([dpi, dpi]);
        if (ratio - 1.0).abs() <= RESOLUTION_TOLERANCE {
            return Ok(!photo.from_camera);
        }
        return Err(match datum {
            "ends" if ratio < 1.0 => TieError::TooShort { ratio },
            "strip" => TieError::StripNotFound,
            _ => TieError::ScaleDisagrees { ratio },
        });
    }
    let Some(resolution) = photo.resolution else { return Ok(false) };
    let ratio = ratio_for([resolution.x_dpi, resolution.y_dpi]);
    if (ratio - 1.0).abs() <= RESOLUTION_TOLERANCE {
        return Ok(!photo.from_camera);
    }
    cautions.push(Caution::new(
        CautionCode::ResolutionDisbelieved,
        format!(
            "the file says {:.0} dots per inch, but the known length makes it {:.0}; the file's word is dropped",
            resolution.x_dpi,
            resolution.x_dpi * ratio
        ),
    ));
    Ok(false)
}

/// Do both edges look like those of the strip that carries the line?
///
/// Three parallel lines meet in one point of a photograph, so the line divides the width between the edges in one
/// proportion all along, up to the small angle between line and edges; and the ground is lighter than the strip, or
/// darker, on both sides alike. A joint of the bench or the rim of a shadow breaks either rule.
fn edges_belong(course: &Course, edges: &[strip::EdgeLine; 2]) -> bool {
    let share = |along: f64| {
        let [a, b] = [edges[0].at(along), edges[1].at(along)];
        let line = course.offset_at(along);
        (line - a) / (b - a)
    };
    let drift = share(course.end_px) - share(course.start_px);
    let width = edges[1].at(course.start_px) - edges[0].at(course.start_px);
    let allowed = EDGE_ANGLE * (course.end_px - course.start_px) / width.max(1.0);
    drift.abs() < allowed && edges[0].step * edges[1].step < 0.0
}

/// Greatest shift along a line through the picture's middle by lens distortion, over the line's length, as a standard uncertainty.
///
/// Distortion that grows with the square of the distance from the middle moves a place at `x` by `d·x·(x/c)²` (`c`: the corner's
/// distance). Against a scale that fits both ends, at ±a, the cubic `d·x·(x² − a²)/c²` is left, greatest at `a/√3`. `reach`: a/c.
fn bulge(reach: f64) -> f64 {
    const GREATEST: f64 = 0.384_900; // of x·(1 − x²): 2/(3·√3)
    UNSEEN_DISTORTION * reach * reach * GREATEST / 2.0
}

/// Perspective along the line from the strip's converging long edges; second: true where it could not be seen.
///
/// Unseen, it is that of a tilt: `ln k = sin(tilt)·length/distance`, the distance from the line's length in the picture and a
/// telephone's focal length.
fn perspective(
    outline: &Outline,
    course: &Course,
    is_scan: bool,
    [width, height]: [f64; 2],
    between_datums_px: f64,
) -> (Perspective, bool) {
    let between_px = [course.start_px, course.end_px];
    if is_scan {
        return (Perspective { ln_k: 0.0, u_ln_k: 0.0005, between_px, u_distortion: 0.0002 }, false);
    }
    let u_distortion = bulge(between_datums_px / width.hypot(height));
    let unseen_u = UNSEEN_TILT * (course.end_px - course.start_px) / (FOCAL_OVER_SIDE * width.max(height));
    if let (Some(start), Some(end), [Some(a), Some(b)]) =
        (outline.width_at(course.start_px), outline.width_at(course.end_px), outline.long)
        && start > 0.0
        && end > 0.0
        && edges_belong(course, &[a, b])
    {
        let measured = a.u_px.hypot(b.u_px) / start.min(end);
        let ln_k = (start / end).ln();
        if ln_k.abs() < MOST_LN_K {
            // Edges that converge more than pictures are tilted may be another thing's in part.
            let unlikely = (ln_k.abs() - UNLIKELY_TILTS * unseen_u).max(0.0);
            let u_ln_k = measured.hypot(STRIP_TAPER).hypot(unlikely);
            return (Perspective { ln_k, u_ln_k, between_px, u_distortion }, false);
        }
    }
    (Perspective { ln_k: 0.0, u_ln_k: unseen_u, between_px, u_distortion }, true)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against places along a line moved one by one, half as long as the picture's diagonal.
    #[test]
    fn the_bulge_is_what_a_scale_between_both_ends_leaves_of_the_distortion() {
        let half_length = 0.5;
        let moved = |x: f64| x * (1.0 + UNSEEN_DISTORTION * x * x);
        let scale = half_length / moved(half_length);
        let left = (-1000..=1000).map(|k| half_length * f64::from(k) / 1000.0).map(|x| (scale * moved(x) - x).abs());
        let greatest = left.fold(0.0, f64::max) / (2.0 * half_length);
        assert!((bulge(half_length) - greatest).abs() < 0.01 * greatest, "{} {greatest}", bulge(half_length));
    }
}
