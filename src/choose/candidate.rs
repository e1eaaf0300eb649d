//! One straight thing in the picture, measured quickly, and how much like a burned line it is.

use rayon::prelude::*;

use super::ground;
use crate::fit::bracket::{Bracket, bracket};
use crate::fit::caustic;
use crate::fit::data::Data;
use crate::fit::noise::Scatter;
use crate::locate::Course;
use crate::locate::bow::{put_back, within_the_line};
use crate::locate::profile::gather;
use crate::locate::refine::{WidthGuide, half_levels, refine};
use crate::locate::trace::{Trace, median};
use crate::photo::Photo;
use crate::stations::measure::{MeasureOptions, measure};

/// Places looked at along each candidate.
const QUICK_STATIONS: usize = 150;
/// Length given to the line in the quick fit, in its own units.
const QUICK_LENGTH: f64 = 150.0;
/// Contrast below which a place has no edges.
const FAINT_CONTRAST: f64 = 0.12;
/// Fewest usable quick stations for a curve.
const LEAST_QUICK_STATIONS: usize = 16;

/// Share of the quick stations that must be usable.
const LEAST_USABLE: f64 = 0.5;
/// Least rise of the kerf on both sides of its finest place for a line to look burned.
const LEAST_RISE: f64 = 1.12;
/// Rise (natural log of the width) that half of a candidate's strength rests on.
const USUAL_RISE: f64 = 0.3;
/// Grain makes the kerf stray from the curve by some per cent; joints and cracks stray by tens.
pub const ORDINARY_MISFIT: f64 = 0.06;
const MOST_MISFIT: f64 = 0.30;
/// A strip's edge lies between the strip and what is under it: on a burned line's two sides the light (natural log) differs by less.
const MOST_UNEVEN: f64 = 0.5;
/// The same of a light line: its ground is a coating, as dark on one side as on the other (rendered ones have 0.03 to 0.08), where the
/// seam in a filled band lies between two chars.
const MOST_UNEVEN_LIGHT: f64 = 0.25;
/// A head runs straight, and a lens or curled paper bows its line by less than this share of its length, what its trace runs on into
/// included.
const MOST_BOW: f64 = 0.02;
/// Sine of the angle between lines that run beside each other.
const PARALLEL: f64 = 0.1;
/// Misfit from which the widths keep to no curve at all.
const NO_CURVE: f64 = 0.5;
/// Difference of light (natural log) within which a core is another's ground, and beyond which two grounds differ.
const SAME_GROUND: f64 = 0.35;
const OTHER_GROUND: f64 = 0.5;
/// Strength over the other's beyond which it is the line whatever the other lies on: grain of a dark bench, perhaps.
const GROUND_STRENGTH: f64 = 2.0;
/// Shares of the first's trace and contrast, of its length by which the ends of one beside it may differ, of the larger distance from
/// it at one end that it keeps at the other, the sine between them, and bow over length and misfit of any other, of one alike.
const ALIKE_SCORE: f64 = 0.6;
const ALIKE_CONTRAST: f64 = 0.9;
const ALIKE_CONTRAST_CLOSE: f64 = 0.8;
const ALIKE_ENDS: f64 = 0.15;
const ALIKE_AWAY: f64 = 0.4;
const ALIKE_ANGLE: f64 = 0.25;
const ALIKE_BOW: f64 = 0.0015;
const ALIKE_MISFIT: f64 = 0.11;
/// Distance over the mean width of two lines within which they spoil each other's edges and pale each other's ground.
const SPOILING_WIDTHS: f64 = 10.0;
/// Times the other's misfit, or the least one that counts, to which a stroke over the same ramp keeps to its curve.
const ALIKE_STRAYING: f64 = 2.5;
const LEAST_MISFIT: f64 = 0.025;
/// Share of the other's rise (natural log of the width, each on its flatter side) that a stroke over the same ramp shows at least.
const ALIKE_RISE: f64 = 0.5;
/// How much longer than another a candidate must be that covers it, and how far it may fall short of an end of it, as shares of the
/// other's length.
const OUTREACH: f64 = 0.03;
const END_ROOM: f64 = 0.01;
/// Distance of the far end of half an index mark from the line over that of its near end: 2, or 1.5 for a short one, and what
/// perspective and a trace that stops early or late make of it. How far it may lean along the line, over its own length, and that length
/// over the line's, at most.
const MARK_REACHES: [f64; 2] = [1.25, 2.7];
const MARK_LEAN: f64 = 0.35;
const MARK_LENGTH: f64 = 0.5;
/// Places by which two courses are told to be one.
const OVERLAP_PLACES: usize = 40;

/// A candidate with a quick measurement along it.
#[derive(Debug, Clone)]
pub struct Candidate {
    /// The followed run.
    pub trace: Trace,
    /// Its course at full resolution.
    pub course: Course,
    /// Rough width along it.
    pub guide: WidthGuide,
    /// Share of the quick stations that are usable.
    pub usable: f64,
    /// Median contrast of the usable ones.
    pub contrast: f64,
    /// The inner minimum of the kerf, where there is one.
    pub bracket: Option<Bracket>,
    /// RMS relative distance of the kerf from a burned line's curve; infinite where none could be fitted.
    pub misfit: f64,
    /// Median difference (natural log) of the light on its two sides.
    pub unevenness: f64,
    /// The gap between two things rather than a thing.
    pub is_gap: bool,
    /// Light (natural log) of its core and of the ground beside it.
    pub core_ln: f64,
    /// As `core_ln`.
    pub ground_ln: f64,
}

impl Candidate {
    /// Narrows and widens again by more than its own wander, with clean edges most of the way.
    pub fn looks_burned(&self) -> bool {
        self.usable > LEAST_USABLE
            && !self.is_gap
            && !self.parts_two_grounds()
            && self.course.bow() < MOST_BOW
            && self.misfit < MOST_MISFIT
            && self.bracket.is_some_and(|b| b.rises[0].min(b.rises[1]) > LEAST_RISE.ln().max(1.2 * self.misfit))
    }

    /// True where it is no line at all, burned or other: its edges keep to no curve, or part two grounds.
    pub fn is_nothing(&self) -> bool {
        (self.misfit.is_finite() && self.misfit > NO_CURVE) || self.parts_two_grounds()
    }

    /// True where its two sides are not one ground.
    fn parts_two_grounds(&self) -> bool {
        self.unevenness > if self.course.is_dark { MOST_UNEVEN } else { MOST_UNEVEN_LIGHT }
    }

    /// True where what looks like its core is the ground that `other` lies on: a stretch of strip between a label and the strip's
    /// edge.
    pub fn is_ground_of(&self, other: &Self) -> bool {
        self.course.is_dark == other.course.is_dark
            && (self.core_ln - other.ground_ln).abs() < SAME_GROUND
            && (self.ground_ln - other.ground_ln).abs() > OTHER_GROUND
            && self.strength() < GROUND_STRENGTH * other.strength()
    }

    /// True where it is as long and as strong a line as `first`, and as straight as a head runs or beside it from end to end.
    ///
    /// A second stroke over the ramp widens about as much and keeps to its curve about as well, or is as long as the first and so close to
    /// it that each spoils the other's edges; a joint of boards runs on, and does neither.
    pub fn is_alike(&self, first: &Self) -> bool {
        let keeps_to_its_curve = self.misfit < ALIKE_STRAYING * first.misfit.max(LEAST_MISFIT);
        let is_spoilt = self.is_close_to(first) && !self.outreaches(first);
        let is_straight = self.course.bow() < ALIKE_BOW && self.misfit < ALIKE_MISFIT && keeps_to_its_curve;
        let is_beside = self.is_beside(first) && (keeps_to_its_curve || is_spoilt);
        self.is_as_strong(first) && self.widens_like(first) && (is_beside || is_straight)
    }

    /// True where something as long and strong runs beside `first` from end to end, whatever it is like: two bold strokes that are close
    /// spoil each other's half levels.
    pub fn runs_alongside(&self, first: &Self) -> bool {
        self.course.is_dark == first.course.is_dark && self.is_as_strong(first) && self.is_beside(first)
    }

    /// True where it is one more stroke over the same ramp, whatever lies beyond its sides: as long and strong, beside `first` from end to
    /// end, on one ground, and as true to a curve that narrows and widens again.
    pub fn is_second_stroke_beside(&self, first: &Self) -> bool {
        self.bracket.is_some_and(|b| b.rises[0].min(b.rises[1]) > LEAST_RISE.ln().max(1.2 * self.misfit))
            && !self.parts_two_grounds()
            && self.misfit < ALIKE_STRAYING * first.misfit.max(LEAST_MISFIT)
            && self.widens_like(first)
            && self.runs_alongside(first)
    }

    /// True where it widens at least about half as much as `first`, each on its flatter side.
    pub fn widens_like(&self, first: &Self) -> bool {
        let least = |c: &Self| c.bracket.map(|b| b.rises[0].min(b.rises[1]));
        least(self).zip(least(first)).is_none_or(|(own, others)| own > ALIKE_RISE * others)
    }

    /// True where it can only be a second stroke, although its kerf, which narrows and widens again, keeps to no curve: two that are
    /// close spoil each other's edges.
    pub fn is_twin_of(&self, first: &Self) -> bool {
        self.usable > LEAST_USABLE
            && self.bracket.is_some_and(|b| b.rises[0].min(b.rises[1]) > LEAST_RISE.ln())
            && self.runs_alongside(first)
            && self.is_close_to(first)
    }

    /// Longer and darker, or nearly so, than `first`.
    fn is_as_strong(&self, first: &Self) -> bool {
        // A trace that joins the first's owes it a part of its score.
        let own_score = self.own_share(first) * self.trace.score;
        // Each pales the other's ground where they are close.
        let least_contrast = if self.is_close_to(first) { ALIKE_CONTRAST_CLOSE } else { ALIKE_CONTRAST };
        own_score > ALIKE_SCORE * first.trace.score && self.contrast > least_contrast * first.contrast
    }

    /// True where it runs beside `first` from end to end.
    fn is_beside(&self, first: &Self) -> bool {
        let [a, b] = [&self.course, &first.course];
        let room = ALIKE_ENDS * (b.end_px - b.start_px);
        let [[start, start_across], [end, end_across]] =
            [a.start_px, a.end_px].map(|end| b.along_across(a.place(end, 0.0)));
        let [from, to] = [start.min(end), start.max(end)];
        // A joint of boards may come nearer until it meets the line; a second stroke keeps about its distance.
        let [nearer, farther] = [start_across.abs().min(end_across.abs()), start_across.abs().max(end_across.abs())];
        !self.is_askew_to(first)
            && start_across * end_across > 0.0
            && nearer > ALIKE_AWAY * farther
            && (from - b.start_px).abs().max((to - b.end_px).abs()) < room
    }

    /// True where it runs so close to `other` that each spoils the other's edges.
    fn is_close_to(&self, other: &Self) -> bool {
        let middle = 0.5 * (self.course.start_px + self.course.end_px);
        let [_, across] = other.course.along_across(self.course.place(middle, 0.0));
        let [own, others] = [self, other].map(|c| median(c.guide.width_px.clone()));
        across.abs() < SPOILING_WIDTHS * 0.5 * (own + others)
    }

    /// True where most of its course lies on that of `other`.
    pub fn lies_on(&self, other: &Self) -> bool {
        self.own_share(other) < 0.5
    }

    /// Share of its course that does not lie on that of `other`.
    fn own_share(&self, other: &Self) -> f64 {
        let [start, end] = [self.course.start_px, self.course.end_px];
        let is_own = |share: f64| {
            let [along, across] = other.course.along_across(self.course.place(start + share * (end - start), 0.0));
            along < other.course.start_px
                || along > other.course.end_px
                || across.abs() >= 0.5 * other.guide.at(along) + 2.0
        };
        let own = (0..OVERLAP_PLACES).filter(|k| is_own((*k as f64 + 0.5) / OVERLAP_PLACES as f64)).count();
        own as f64 / OVERLAP_PLACES as f64
    }

    /// True where it lies as half an index mark does beside `line`: across it and on one side, far shorter, and beginning as far away
    /// from it as it is long, or twice as far.
    pub fn may_be_mark_of(&self, line: &Self) -> bool {
        let [from, to] = [line.course.start_px, line.course.end_px];
        let [[along, across], [other_along, other_across]] =
            [self.course.start_px, self.course.end_px].map(|end| line.course.along_across(self.course.place(end, 0.0)));
        let [near, far] = [across.abs().min(other_across.abs()), across.abs().max(other_across.abs())];
        let length = self.course.end_px - self.course.start_px;
        across * other_across > 0.0
            && (MARK_REACHES[0] * near..MARK_REACHES[1] * near).contains(&far)
            && (along - other_along).abs() < MARK_LEAN * length
            && length < MARK_LENGTH * (to - from)
            && (from..to).contains(&(0.5 * (along + other_along)))
    }

    /// True where it runs on to the edge of what it lies on, at both ends.
    pub fn runs_off(&self, photo: &Photo) -> bool {
        ground::runs_off(photo, &self.course, &self.guide)
    }

    /// True where it runs beside `other`, or nearly so.
    pub fn is_parallel_to(&self, other: &Self) -> bool {
        self.sine_to(other) < PARALLEL
    }

    /// True where it runs in quite another direction.
    pub fn is_askew_to(&self, other: &Self) -> bool {
        self.sine_to(other) > ALIKE_ANGLE
    }

    /// Sine of the angle between the two.
    fn sine_to(&self, other: &Self) -> f64 {
        let [a, b] = [&self.course, &other.course].map(|course| course.direction);
        (a[0] * b[1] - a[1] * b[0]).abs()
    }

    /// True where it covers `other` from end to end and is longer.
    pub fn outreaches(&self, other: &Self) -> bool {
        let along = |place| other.course.along_across(self.course.place(place, 0.0))[0];
        let [a, b] = [along(self.course.start_px), along(self.course.end_px)];
        let length = other.course.end_px - other.course.start_px;
        let beyond = [other.course.start_px - a.min(b), a.max(b) - other.course.end_px];
        beyond.into_iter().all(|beyond| beyond > -END_ROOM * length) && beyond[0] + beyond[1] > OUTREACH * length
    }

    /// How much speaks for it: length times contrast, less where edges are unclean or the kerf strays from the curve.
    pub fn strength(&self) -> f64 {
        self.strength_by(ORDINARY_MISFIT)
    }

    /// Strength over that of `first`, where straying as much as that one does is taken for ordinary: grain that spoils one line spoils
    /// another beside it, too.
    pub fn share_beside(&self, first: &Self) -> f64 {
        let usual = first.misfit.clamp(ORDINARY_MISFIT, MOST_MISFIT);
        self.strength_by(usual) / first.strength_by(usual)
    }

    /// Strength where so much misfit halves it.
    fn strength_by(&self, usual_misfit: f64) -> f64 {
        let stray = if self.misfit.is_finite() { 1.0 / (1.0 + (self.misfit / usual_misfit).powi(4)) } else { 0.0 };
        // A shadow's rim or a joint hardly narrows and widens again.
        let rise = self.bracket.map_or(1.0, |b| b.rises[0].min(b.rises[1]).max(0.0));
        // What of the trace stands out along it.
        let kept = ((self.course.end_px - self.course.start_px) / self.trace.length_px()).min(1.0);
        kept * self.trace.score * self.contrast.max(0.05) * self.usable * stray.max(0.01) * rise / (rise + USUAL_RISE)
    }
}

/// Judges a candidate again by kerfs measured as a reading measures them.
pub fn look_closer(photo: &Photo, candidate: &mut Candidate) {
    let course = &candidate.course;
    let options = MeasureOptions { most: QUICK_STATIONS, ..MeasureOptions::default() };
    let stations = measure(photo, course, &candidate.guide, [course.start_px, course.end_px], &options).stations;
    let length = course.end_px - course.start_px;
    let used: Vec<(f64, f64, f64)> = stations
        .iter()
        .filter(|s| s.used && s.kerf_px > 0.1)
        .map(|s| ((s.along_px - course.start_px) / length * QUICK_LENGTH, s.kerf_px.ln(), s.contrast))
        .collect();
    (candidate.bracket, candidate.misfit) = curve(&used);
    candidate.usable = used.len() as f64 / stations.len().max(1) as f64;
    candidate.contrast = median(used.iter().map(|u| u.2).collect());
}

/// Bracket and misfit of a burned line's curve through quick stations: place, ln width, contrast.
fn curve(used: &[(f64, f64, f64)]) -> (Option<Bracket>, f64) {
    let data = Data {
        position: used.iter().map(|s| s.0).collect(),
        ln_kerf: used.iter().map(|s| s.1).collect(),
        own: vec![0.02; used.len()],
        contrast: used.iter().map(|s| s.2).collect(),
    };
    let bracket = if data.len() >= LEAST_QUICK_STATIONS { bracket(&data).ok() } else { None };
    let scatter = Scatter { grain: 0.03, length_mm: 0.01 * QUICK_LENGTH, own_factor: 1.0 };
    let Some(found) = bracket else { return (None, f64::INFINITY) };
    // One that few wild places do not lead astray.
    let Some(first) = caustic::roughly(&data, &found) else { return (bracket, f64::INFINITY) };
    // A trace may run on into grain beyond the line, or over a knot: the curve is fitted again to what agrees with it.
    let sizes: Vec<f64> = (0..data.len()).map(|i| (data.ln_kerf[i] - first.ln_kerf(data.position[i])).abs()).collect();
    let limit = 3.0 * median(sizes.clone());
    let kept = data.filtered(|i| sizes[i] <= limit);
    let misfit = caustic::fit_from(&kept, &first, scatter, 0).map_or(f64::INFINITY, |f| {
        let apart = |i: usize| (data.ln_kerf[i] - f.caustic.ln_kerf(data.position[i])).abs();
        // Median over its place in a normal distribution.
        median((0..data.len()).map(apart).collect()) / 0.6745
    });
    (bracket, misfit)
}

/// One place of a quick look.
struct Site {
    /// Along the candidate, of [`QUICK_LENGTH`].
    place: f64,
    ln_width: f64,
    contrast: f64,
    /// Difference (natural log) of the light on both sides.
    unevenness: f64,
    /// Light (natural log) of core and ground.
    core_ln: f64,
    ground_ln: f64,
}

/// Refines a trace and looks at the half-level widths along it: blurred, but enough to tell what kind of line it is.
pub fn examine(photo: &Photo, trace: Trace) -> Candidate {
    let (course, guide) = refine(photo, &trace);
    let (course, guide, places) = put_back(photo, course, guide);
    let course = within_the_line(&course, &places);
    let sign = if course.is_dark { 1.0 } else { -1.0 };
    let length = course.end_px - course.start_px;
    let sites: Vec<Option<Site>> = (0..QUICK_STATIONS)
        .into_par_iter()
        .map(|i| {
            let share = (i as f64 + 0.5) / QUICK_STATIONS as f64;
            let along = course.start_px + share * length;
            let width = guide.at(along);
            let half_length = (0.3 * length / QUICK_STATIONS as f64).clamp(1.0, 12.0);
            let profile = gather(photo, &course, along, half_length, 1.4 * width + 6.0);
            let levels = half_levels(&profile, course.is_dark, 0.35 * width + 1.0)?;
            let [left, right] = levels.background.map(|light| light.max(1e-4));
            let background = 0.5 * (levels.background[0] + levels.background[1]);
            let contrast = sign * (background - levels.core) / background.max(levels.core).max(1e-4);
            let is_clear = contrast > FAINT_CONTRAST && levels.centre_px.abs() < 0.5 * width + 2.0;
            is_clear.then(|| Site {
                place: share * QUICK_LENGTH,
                ln_width: levels.width_px.max(0.1).ln(),
                contrast,
                unevenness: (left / right).ln().abs(),
                core_ln: levels.core.max(1e-4).ln(),
                ground_ln: background.max(1e-4).ln(),
            })
        })
        .collect();
    let of = |part: fn(&Site) -> f64| median(sites.iter().flatten().map(part).collect());
    let used: Vec<(f64, f64, f64)> = sites.iter().flatten().map(|s| (s.place, s.ln_width, s.contrast)).collect();
    let (bracket, misfit) = curve(&used);
    Candidate {
        usable: used.len() as f64 / QUICK_STATIONS as f64,
        contrast: median(used.iter().map(|u| u.2).collect()),
        bracket,
        misfit,
        unevenness: of(|site| site.unevenness),
        is_gap: ground::is_gap(photo, &course, &guide),
        core_ln: of(|site| site.core_ln),
        ground_ln: of(|site| site.ground_ln),
        trace,
        course,
        guide,
    }
}
