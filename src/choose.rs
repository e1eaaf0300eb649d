//! Which of the straight things in the picture is the burned line: one, none or several.

use crate::fit::bracket::{Bracket, bracket};
use crate::fit::data::Data;
use crate::locate::Course;
use crate::locate::coarse::{Coarse, straight_runs};
use crate::locate::refine::{WidthGuide, refine};
use crate::locate::trace::{Trace, follow, follow_between};
use crate::photo::Photo;
use crate::stations::Station;
use crate::stations::measure::{MeasureOptions, measure};

/// Straight runs looked at.
const RUNS: usize = 14;
/// Candidates measured.
const MEASURED: usize = 5;
/// Share of the best score below which a candidate is not measured.
const WORTH_MEASURING: f64 = 0.2;
/// Depth (ln light) of a line that may be no more than grain.
const GRAIN_DEPTH: f64 = 0.10;
/// Share of the picture's long side that a line must reach.
const LEAST_LENGTH: f64 = 0.06;

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
    /// Share of the quick stations of opposite sign.
    pub reversed: f64,
    /// Median contrast of the usable ones.
    pub contrast: f64,
    /// The inner minimum of the kerf, where there is one.
    pub bracket: Option<Bracket>,
    /// Robust relative scatter of the kerf about its smooth course.
    pub wander: f64,
}

impl Candidate {
    /// Narrows and widens again by more than its own wander, with clean edges most of the way.
    pub fn looks_burned(&self) -> bool {
        self.usable > 0.5
            && self.bracket.is_some_and(|b| b.rises[0].min(b.rises[1]) > (1.12f64).ln().max(1.5 * self.wander))
    }
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

/// Looks at the picture (or the area) and chooses.
pub fn choose(photo: &Photo, coarse: &Coarse) -> Choice {
    let mut traces: Vec<Trace> = straight_runs(coarse, RUNS).iter().filter_map(|run| follow(coarse, run)).collect();
    traces.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut distinct: Vec<Trace> = Vec::new();
    for trace in traces {
        if !distinct.iter().any(|d| trace.lies_on(d) || d.lies_on(&trace)) {
            distinct.push(trace);
        }
    }
    let long_side = photo.width().max(photo.height()) as f64;
    distinct.retain(|t| t.length_px() > LEAST_LENGTH * long_side && t.median_depth() > GRAIN_DEPTH);
    let Some(best_score) = distinct.first().map(|t| t.score) else { return Choice::None };
    distinct.retain(|t| t.score > WORTH_MEASURING * best_score);
    distinct.truncate(MEASURED);
    let mut candidates: Vec<Candidate> = distinct.into_iter().map(|t| examine(photo, t)).collect();

    let burned: Vec<usize> = (0..candidates.len()).filter(|i| candidates[*i].looks_burned()).collect();
    let strength = |c: &Candidate| c.trace.score * c.contrast.max(0.05);
    if let Some(first) =
        burned.iter().copied().max_by(|a, b| strength(&candidates[*a]).total_cmp(&strength(&candidates[*b])))
    {
        let rivals: Vec<usize> = burned
            .iter()
            .copied()
            .filter(|i| *i != first && strength(&candidates[*i]) > 0.35 * strength(&candidates[first]))
            .collect();
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

/// Refines a trace and measures it quickly.
pub fn examine(photo: &Photo, trace: Trace) -> Candidate {
    let (course, guide) = refine(photo, &trace);
    let options = MeasureOptions { most: 150, ..MeasureOptions::default() };
    let measured = measure(photo, &course, &guide, [course.start_px, course.end_px], &options);
    let used: Vec<&Station> = measured.stations.iter().filter(|s| s.used).collect();
    let total = measured.stations.len().max(1) as f64;
    let data = Data {
        position: used.iter().map(|s| s.along_px).collect(),
        ln_kerf: used.iter().map(|s| s.kerf_px.max(0.1).ln()).collect(),
        own: used.iter().map(|s| s.standard_uncertainty_px / s.kerf_px.max(0.1)).collect(),
        contrast: used.iter().map(|s| s.contrast).collect(),
    };
    let wander = wander(&data.ln_kerf);
    Candidate {
        usable: used.len() as f64 / total,
        reversed: measured.reversed_share,
        contrast: crate::locate::trace::median(data.contrast.clone()),
        bracket: if data.len() >= 16 { bracket(&data).ok() } else { None },
        wander,
        trace,
        course,
        guide,
    }
}

/// Robust scatter of neighbouring values about their running median.
fn wander(values: &[f64]) -> f64 {
    let smooth = crate::locate::refine::median_filter(values, 4);
    1.4826 * crate::locate::trace::median(values.iter().zip(smooth).map(|(v, s)| (v - s).abs()).collect())
}
