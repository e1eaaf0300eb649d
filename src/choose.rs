//! Which of the straight things in the picture is the burned line: one, none or several.

use rayon::prelude::*;

use crate::fit::bracket::{Bracket, bracket};
use crate::fit::caustic;
use crate::fit::data::Data;
use crate::fit::noise::Scatter;
use crate::locate::Course;
use crate::locate::coarse::{Coarse, straight_runs};
use crate::locate::crossing::within_the_line;
use crate::locate::profile::gather;
use crate::locate::refine::{WidthGuide, half_levels, refine};
use crate::locate::trace::{Trace, follow, follow_between, follow_through, median};
use crate::photo::Photo;
use crate::stations::measure::{MeasureOptions, measure};

/// Straight runs looked at.
const RUNS: usize = 14;
/// Candidates measured.
const MEASURED: usize = 5;
/// Share of the best score below which a candidate is not measured.
const WORTH_MEASURING: f64 = 0.2;
/// Places looked at along each candidate.
const QUICK_STATIONS: usize = 150;
/// Length given to the line in the quick fit, in its own units.
const QUICK_LENGTH: f64 = 150.0;
/// Contrast below which a place has no edges.
const FAINT_CONTRAST: f64 = 0.12;
/// Fewest usable quick stations for a curve.
const LEAST_QUICK_STATIONS: usize = 16;
/// Depth (ln light) of a line that may be no more than grain.
const GRAIN_DEPTH: f64 = 0.10;
/// Share of the picture's long side that a line must reach.
const LEAST_LENGTH: f64 = 0.06;

/// Least rise of the kerf on both sides of its finest place for a line to look burned.
const LEAST_RISE: f64 = 1.12;
/// Rise (natural log of the width) that half of a candidate's strength rests on.
const USUAL_RISE: f64 = 0.3;
/// Grain makes the kerf stray from the curve by some per cent; joints and cracks stray by tens.
const ORDINARY_MISFIT: f64 = 0.06;
const MOST_MISFIT: f64 = 0.30;

/// Share of the strongest's strength from which another candidate is a rival, and from which one that fits well is.
const CLEAR_RIVAL: f64 = 0.55;
const CLEAN_RIVAL: f64 = 0.25;
/// The same for one that runs beside it: sine of the angle between them.
const BESIDE: f64 = 0.1;
const BESIDE_RIVAL: f64 = 0.38;

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
}

impl Candidate {
    /// Narrows and widens again by more than its own wander, with clean edges most of the way.
    pub fn looks_burned(&self) -> bool {
        self.usable > 0.5
            && self.misfit < MOST_MISFIT
            && self.bracket.is_some_and(|b| b.rises[0].min(b.rises[1]) > LEAST_RISE.ln().max(1.2 * self.misfit))
    }

    /// How much speaks for it: length times contrast, less where edges are unclean or the kerf strays from the curve.
    fn strength(&self) -> f64 {
        let stray = if self.misfit.is_finite() { 1.0 / (1.0 + (self.misfit / ORDINARY_MISFIT).powi(4)) } else { 0.0 };
        // A shadow's rim or a joint hardly narrows and widens again.
        let rise = self.bracket.map_or(1.0, |b| b.rises[0].min(b.rises[1]).max(0.0));
        self.trace.score * self.contrast.max(0.05) * self.usable * stray.max(0.01) * rise / (rise + USUAL_RISE)
    }
}

/// Whether a candidate that looks burned leaves doubt which is the line.
///
/// A second burned line runs beside the first, or keeps to its curve about as well; grain that happens to widen twice, on
/// the bench or across the strip, does neither.
fn rivals_it(candidate: &Candidate, first: &Candidate) -> bool {
    let share = candidate.strength() / first.strength();
    let is_clean = candidate.misfit < ORDINARY_MISFIT.min(2.0 * first.misfit.max(0.02)).max(first.misfit);
    let [a, b] = [&candidate.course, &first.course].map(|course| course.direction);
    let is_beside = (a[0] * b[1] - a[1] * b[0]).abs() < BESIDE;
    share > CLEAR_RIVAL || (is_beside && share > BESIDE_RIVAL) || (is_clean && share > CLEAN_RIVAL)
}

/// What there is in the picture.
#[derive(Debug, Clone)]
pub enum Choice {
    /// One burned line.
    One(Box<Candidate>),
    /// Nothing that stands out as a line.
    None,
    /// Several that could each be it; the strongest first.
    Several(Vec<Candidate>),
}

/// Looks at the picture (or the area) and chooses. `through_px`: two places that the setup says lie on the line.
pub fn choose(photo: &Photo, coarse: &Coarse, through_px: Option<[[f64; 2]; 2]>) -> Choice {
    let known = through_px
        .and_then(|places| follow_through(coarse, places))
        .filter(|trace| trace.median_depth() > GRAIN_DEPTH)
        .map(|trace| examine(photo, Trace { score: trace.score.max(1.0), ..trace }));
    let Some(known) = known else { return among(photo, distinct_traces(photo, coarse)) };
    // The places say where one line is, and not that there is no other.
    let others = distinct_traces(photo, coarse)
        .into_iter()
        .filter(|t| t.score > CLEAN_RIVAL * known.trace.score && !t.lies_on(&known.trace) && !known.trace.lies_on(t));
    let mut rivals: Vec<Candidate> =
        others.take(MEASURED).collect::<Vec<_>>().into_par_iter().map(|t| examine(photo, t)).collect();
    rivals.retain(Candidate::looks_burned);
    if rivals.is_empty() {
        return Choice::One(Box::new(known));
    }
    let mut first = known.clone();
    look_closer(photo, &mut first);
    rivals.par_iter_mut().for_each(|rival| look_closer(photo, rival));
    rivals.retain(|rival| rival.looks_burned() && rivals_it(rival, &first));
    if rivals.is_empty() {
        return Choice::One(Box::new(known));
    }
    rivals.insert(0, known);
    Choice::Several(rivals)
}

/// Followed runs of some length and depth that do not lie on each other, best first.
fn distinct_traces(photo: &Photo, coarse: &Coarse) -> Vec<Trace> {
    let mut traces: Vec<Trace> = straight_runs(coarse, RUNS).par_iter().filter_map(|run| follow(coarse, run)).collect();
    traces.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut distinct: Vec<Trace> = Vec::new();
    for trace in traces {
        if !distinct.iter().any(|d| trace.lies_on(d) || d.lies_on(&trace)) {
            distinct.push(trace);
        }
    }
    let long_side = photo.width().max(photo.height()) as f64;
    distinct.retain(|t| t.length_px() > LEAST_LENGTH * long_side && t.median_depth() > GRAIN_DEPTH);
    distinct
}

/// The line among several traces.
fn among(photo: &Photo, mut distinct: Vec<Trace>) -> Choice {
    let Some(best_score) = distinct.first().map(|t| t.score) else { return Choice::None };
    distinct.retain(|t| t.score > WORTH_MEASURING * best_score);
    distinct.truncate(MEASURED);
    let mut candidates: Vec<Candidate> = distinct.into_par_iter().map(|t| examine(photo, t)).collect();
    if candidates.iter().filter(|c| c.looks_burned()).count() != 1 {
        // More than one could be it by its half-level widths, or none quite: look at them with edges proper.
        candidates.par_iter_mut().for_each(|candidate| look_closer(photo, candidate));
    }
    let burned: Vec<usize> = (0..candidates.len()).filter(|i| candidates[*i].looks_burned()).collect();
    let strength = Candidate::strength;
    if let Some(first) =
        burned.iter().copied().max_by(|a, b| strength(&candidates[*a]).total_cmp(&strength(&candidates[*b])))
    {
        let rivals: Vec<usize> =
            burned.iter().copied().filter(|i| *i != first && rivals_it(&candidates[*i], &candidates[first])).collect();
        if rivals.is_empty() {
            return Choice::One(Box::new(candidates.swap_remove(first)));
        }
        let mut several = vec![candidates[first].clone()];
        several.extend(rivals.into_iter().map(|i| candidates[i].clone()));
        return Choice::Several(several);
    }
    candidates.sort_by(|a, b| strength(b).total_cmp(&strength(a)));
    let rivals = candidates.iter().skip(1).filter(|c| strength(c) > 0.6 * strength(&candidates[0])).count();
    if rivals > 0 {
        // Many alike and pale: grain. Few and strong: lines.
        if candidates[0].contrast < 0.35 || candidates[0].usable < 0.4 {
            Choice::None
        } else {
            Choice::Several(candidates)
        }
    } else {
        Choice::One(Box::new(candidates.swap_remove(0)))
    }
}

/// The line between two given places.
pub fn along(photo: &Photo, coarse: &Coarse, line_px: [[f64; 2]; 2]) -> Choice {
    follow_between(coarse, line_px).map_or(Choice::None, |trace| Choice::One(Box::new(examine(photo, trace))))
}

/// Judges a candidate again by kerfs measured as a reading measures them.
fn look_closer(photo: &Photo, candidate: &mut Candidate) {
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
    let Some(first) = caustic::fit(&data, &found, scatter, 0) else { return (bracket, f64::INFINITY) };
    // A trace may run on into grain beyond the line, or over a knot: the curve is fitted again to what agrees with it.
    let sizes: Vec<f64> = first.residuals.iter().map(|r| r.abs()).collect();
    let limit = 3.0 * median(sizes.clone());
    let kept = data.filtered(|i| sizes[i] <= limit);
    let misfit = caustic::fit_from(&kept, &first.caustic, scatter, 0).map_or(f64::INFINITY, |f| {
        let apart = |i: usize| (data.ln_kerf[i] - f.caustic.ln_kerf(data.position[i])).abs();
        // Median over its place in a normal distribution.
        median((0..data.len()).map(apart).collect()) / 0.6745
    });
    (bracket, misfit)
}

/// Refines a trace and looks at the half-level widths along it: blurred, but enough to tell what kind of line it is.
pub fn examine(photo: &Photo, trace: Trace) -> Candidate {
    let (course, guide) = refine(photo, &trace);
    let course = within_the_line(photo, &course, &guide);
    let sign = if course.is_dark { 1.0 } else { -1.0 };
    let length = course.end_px - course.start_px;
    let sites: Vec<Option<(f64, f64, f64)>> = (0..QUICK_STATIONS)
        .into_par_iter()
        .map(|i| {
            let share = (i as f64 + 0.5) / QUICK_STATIONS as f64;
            let along = course.start_px + share * length;
            let width = guide.at(along);
            let half_length = (0.3 * length / QUICK_STATIONS as f64).clamp(1.0, 12.0);
            let profile = gather(photo, &course, along, half_length, 1.4 * width + 6.0);
            let levels = half_levels(&profile, course.is_dark, 0.35 * width + 1.0)?;
            let background = 0.5 * (levels.background[0] + levels.background[1]);
            let contrast = sign * (background - levels.core) / background.max(levels.core).max(1e-4);
            (contrast > FAINT_CONTRAST && levels.centre_px.abs() < 0.5 * width + 2.0).then_some((
                share * QUICK_LENGTH,
                levels.width_px.max(0.1).ln(),
                contrast,
            ))
        })
        .collect();
    let used: Vec<(f64, f64, f64)> = sites.iter().flatten().copied().collect();
    let (bracket, misfit) = curve(&used);
    Candidate {
        usable: used.len() as f64 / QUICK_STATIONS as f64,
        contrast: median(used.iter().map(|u| u.2).collect()),
        bracket,
        misfit,
        trace,
        course,
        guide,
    }
}
