//! All stations of a course: blur and core level are learned from the line as a whole, then each kerf is measured.

use rayon::prelude::*;

use super::edge::{Bar, Prior, Start, fit};
use super::{LeftOut, Station};
use crate::locate::Course;
use crate::locate::profile::{Profile, gather};
use crate::locate::refine::{WidthGuide, half_levels};
use crate::locate::trace::median;
use crate::photo::Photo;

/// How stations are set and judged.
#[derive(Debug, Clone, Copy)]
pub struct MeasureOptions {
    /// Stations along the whole line, at most; each is as long as the distance to the next.
    pub most: usize,
    /// Shortest station in px.
    pub least_length_px: f64,
}

impl Default for MeasureOptions {
    fn default() -> Self {
        Self { most: 600, least_length_px: 3.0 }
    }
}

/// Light that a step must exceed, over the lighter of core and background, to have edges.
const FAINT_CONTRAST: f64 = 0.12;
/// Blur (standard deviation) of a sharp picture, where nothing tells.
const USUAL_BLUR_PX: f64 = 0.7;
/// Blur beyond that of any picture in focus.
pub const PLAINLY_BLURRED_PX: f64 = 1.8;
/// Misfit over the step beyond which a profile is not that of one bar.
const DISTURBED_MISFIT: f64 = 0.3;

/// Scatter of the light on the core over that on the strip where nothing tells, and its limits.
const USUAL_CORE_NOISE: f64 = 0.5;
const CORE_NOISE: [f64; 2] = [0.15, 3.0];
/// Fewest stations for that ratio.
const LEAST_RATIOS: usize = 12;

/// The measured line: stations and what they have in common.
#[derive(Debug, Clone)]
pub struct Measured {
    /// In order along the course.
    pub stations: Vec<Station>,
    /// Blur and pixel at the finest places, standard deviation.
    pub blur_px: f64,
    /// Length of a station along the course.
    pub station_px: f64,
    /// Light next to the line on the left of the course's direction over that on the right: mean of ln ratio.
    pub side_log_ratio: f64,
    /// Share of the stations whose line has the opposite sign (light where it should be dark).
    pub reversed_share: f64,
}

struct Site {
    along_px: f64,
    profile: Profile,
    first: Option<Bar>,
    start: Option<Start>,
}

/// Measures the kerf at stations between `from_px` and `to_px` along the course.
pub fn measure(
    photo: &Photo,
    course: &Course,
    guide: &WidthGuide,
    [from_px, to_px]: [f64; 2],
    options: &MeasureOptions,
) -> Measured {
    let length = (to_px - from_px).max(1.0);
    let count = ((length / options.least_length_px) as usize).clamp(1, options.most);
    let station_px = length / count as f64;
    let mut sites: Vec<Site> = (0..count)
        .into_par_iter()
        .map(|i| {
            let along_px = from_px + (i as f64 + 0.5) * station_px;
            let width = guide.at(along_px);
            let outside = (0.75 * width).clamp(6.0, 26.0);
            let profile = gather(photo, course, along_px, 0.5 * station_px.max(4.0), 0.5 * width + outside + 1.0);
            let start = half_levels(&profile, course.is_dark, 0.35 * width + 1.0).map(|h| {
                let half = 0.5 * h.width_px.max(1.0);
                Start {
                    edges_px: [h.centre_px - half, h.centre_px + half],
                    core: h.core,
                    background: h.background,
                    slopes: [0.0; 2],
                }
            });
            Site { along_px, profile, first: None, start }
        })
        .collect();

    // First pass: blur free within wide limits.
    let loose = Prior { ln_sigma: (0f64, 0.7), core: None, core_noise: USUAL_CORE_NOISE };
    sites.par_iter_mut().for_each(|site| {
        site.first = site.start.and_then(|start| fit(&site.profile, &start, &loose));
    });
    let blur = BlurModel::learn(&sites);
    let core_noise = core_noise(&sites);

    // Second pass: blur known, core free; the cores of neighbours then steady the core where the line is thin.
    let second: Vec<Option<Bar>> = sites
        .par_iter()
        .map(|site| {
            let start = start_of(site, site.first)?;
            let width = start.edges_px[1] - start.edges_px[0];
            fit(&site.profile, &start, &Prior { ln_sigma: (blur.sigma(width).ln(), 0.03), core: None, core_noise })
        })
        .collect();
    let cores = smooth_cores(&second);
    let third: Vec<Option<Bar>> = sites
        .par_iter()
        .enumerate()
        .map(|(i, site)| {
            let start = start_of(site, second[i].or(site.first))?;
            let width = start.edges_px[1] - start.edges_px[0];
            let prior = Prior { ln_sigma: (blur.sigma(width).ln(), 0.03), core: cores[i], core_noise };
            fit(&site.profile, &start, &prior)
        })
        .collect();

    let sign = if course.is_dark { 1.0 } else { -1.0 };
    let [mut log_ratio, mut reversed] = [0.0, 0.0];
    let mut usable = 0.0;
    let stations = sites
        .iter()
        .zip(&third)
        .map(|(site, bar)| {
            let Some(bar) = bar else {
                let left_out = if site.profile.inside < 0.75 { LeftOut::OutsidePicture } else { LeftOut::NotFitted };
                return empty_station(course, site.along_px, left_out);
            };
            let lighter = bar.core.max(0.5 * (bar.background[0] + bar.background[1])).max(1e-4);
            let contrast = sign * bar.step() / lighter;
            if contrast < -FAINT_CONTRAST {
                reversed += 1.0;
            }
            let left_out = if site.profile.inside < 0.75 {
                Some(LeftOut::OutsidePicture)
            } else if contrast < FAINT_CONTRAST {
                Some(LeftOut::Faint)
            } else if bar.misfit > DISTURBED_MISFIT || bar.centre_px().abs() > 0.5 * guide.at(site.along_px) + 3.0 {
                Some(LeftOut::Disturbed)
            } else {
                None
            };
            if left_out.is_none() {
                usable += 1.0;
                log_ratio += (bar.background[0].max(1e-4) / bar.background[1].max(1e-4)).ln();
            }
            Station {
                along_px: site.along_px,
                position_mm: None,
                left_edge_px: course.place(site.along_px, bar.edges_px[1]),
                right_edge_px: course.place(site.along_px, bar.edges_px[0]),
                centre_px: bar.centre_px() + course.offset_at(site.along_px),
                kerf_px: bar.width_px(),
                standard_uncertainty_px: bar.u_width_px.max(0.01),
                kerf_mm: None,
                contrast,
                core: bar.core,
                edge_sigma_px: site.first.map_or(bar.sigma_px, |f| f.sigma_px),
                used: left_out.is_none(),
                left_out,
            }
        })
        .collect::<Vec<_>>();
    Measured {
        blur_px: blur.sigma_0,
        station_px,
        side_log_ratio: if usable > 0.0 { log_ratio / usable } else { 0.0 },
        reversed_share: reversed / count as f64,
        stations,
    }
}

/// Scatter of the light on the core over that on the strip: of the typical station where both show.
fn core_noise(sites: &[Site]) -> f64 {
    let ratios: Vec<f64> = sites
        .iter()
        .filter_map(|s| s.first?.unevenness)
        .map(|[core, background]| core / background.max(1e-6))
        .collect();
    if ratios.len() < LEAST_RATIOS { USUAL_CORE_NOISE } else { median(ratios).clamp(CORE_NOISE[0], CORE_NOISE[1]) }
}

/// Where a fit begins: at the last pass's bar, else at the half levels.
fn start_of(site: &Site, last: Option<Bar>) -> Option<Start> {
    last.as_ref().map(Start::from).or(site.start)
}

fn empty_station(course: &Course, along_px: f64, left_out: LeftOut) -> Station {
    let place = course.place(along_px, 0.0);
    Station {
        along_px,
        position_mm: None,
        left_edge_px: place,
        right_edge_px: place,
        centre_px: course.offset_at(along_px),
        kerf_px: 0.0,
        standard_uncertainty_px: 0.0,
        kerf_mm: None,
        contrast: 0.0,
        core: 0.0,
        edge_sigma_px: 0.0,
        used: false,
        left_out: Some(left_out),
    }
}

/// Softness of the edges: `σ² = σ0² + (k·w)²`. The picture's blur is common to all stations; away from focus the
/// fluence falls more gently across the line and the burned edge itself is softer in proportion to the beam.
#[derive(Debug, Clone, Copy)]
struct BlurModel {
    sigma_0: f64,
    per_width: f64,
}

impl BlurModel {
    fn sigma(&self, width_px: f64) -> f64 {
        (self.sigma_0.powi(2) + (self.per_width * width_px).powi(2)).sqrt()
    }

    /// From the stations whose kerf is several blurs wide: only there do width and blur part.
    fn learn(sites: &[Site]) -> Self {
        let mut pairs: Vec<[f64; 2]> = sites
            .iter()
            .filter_map(|s| s.first)
            .filter(|b| b.width_px() > 3.5 * b.sigma_px && b.misfit < 0.15 && b.u_ln_sigma < 0.35)
            .map(|b| [b.width_px(), b.sigma_px])
            .collect();
        if pairs.len() < 12 {
            // The line is nowhere several blurs wide. Width and blur hardly part in one profile, so only a blur that
            // is plainly large is believed, and a blurred picture is known as one.
            let rough = median(sites.iter().filter_map(|s| s.first).map(|b| b.sigma_px).collect());
            let sigma_0 = if rough > PLAINLY_BLURRED_PX { rough } else { USUAL_BLUR_PX };
            return Self { sigma_0, per_width: 0.0 };
        }
        pairs.sort_by(|a, b| a[0].total_cmp(&b[0]));
        let third = pairs.len() / 3;
        let mean = |part: &[[f64; 2]], k: usize| median(part.iter().map(|p| p[k]).collect());
        let [narrow, wide] = [&pairs[..third.max(6)], &pairs[pairs.len() - third.max(6)..]];
        let [wn, sn, ww, sw] = [mean(narrow, 0), mean(narrow, 1), mean(wide, 0), mean(wide, 1)];
        let slope = if ww > 1.15 * wn { ((sw * sw - sn * sn) / (ww * ww - wn * wn)).max(0.0) } else { 0.0 };
        let sigma_0 = (sn * sn - slope * wn * wn).max(0.09 * sn * sn).max(0.3 * 0.3).sqrt();
        Self { sigma_0, per_width: slope.sqrt() }
    }
}

/// Core level at each station from its neighbours, with the spread of the cores about it.
fn smooth_cores(bars: &[Option<Bar>]) -> Vec<Option<(f64, f64)>> {
    let reach = (bars.len() / 25).max(6);
    bars.iter()
        .enumerate()
        .map(|(i, _)| {
            let near: Vec<&Bar> =
                bars[i.saturating_sub(reach)..(i + reach + 1).min(bars.len())].iter().flatten().collect();
            if near.len() < 6 {
                return None;
            }
            // Weighted by certainty and by distance from the median: a thin line's core is uncertain, not wrong.
            let centre = median(near.iter().map(|b| b.core).collect());
            let spread = 1.4826 * median(near.iter().map(|b| (b.core - centre).abs()).collect());
            let u = median(near.iter().map(|b| b.u_core).collect());
            let [mut sum, mut weight] = [0.0; 2];
            for bar in near {
                let w = 1.0 / (bar.u_core.powi(2) + spread * spread + 1e-8);
                if (bar.core - centre).abs() < 3.0 * (spread + u) + 1e-6 {
                    sum += w * bar.core;
                    weight += w;
                }
            }
            let own = (spread * spread - u * u).max((0.15 * spread).powi(2)).sqrt().max(0.003);
            (weight > 0.0).then(|| (sum / weight, own))
        })
        .collect()
}
