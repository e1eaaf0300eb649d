//! The beam swept along a stroke: fluence integrated over its footprint, start and stop included, and the threshold.
//!
//! Along most of a stroke the beam passes wholly, and the caustic of steady sweeps holds. Near a start or a stop the
//! light that reaches a place depends on how much of the footprint passed over it and how slowly, so there every column
//! of the mark is summed ray by ray.

use super::beam::{Beam, Caustic, Section};

/// How a stroke starts or stops.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct StrokeEnd {
    /// Travel over which the head gains or loses its speed while the beam burns; 0: at speed.
    pub run_up_mm: f64,
    /// Light spent standing still, as the travel at full speed that would take as long.
    pub dwell_mm: f64,
}

/// Pieces of constant slowness: from, to (travel along the stroke), light per length relative to full speed.
type Pace = Vec<[f64; 3]>;

fn pace(length_mm: f64, ends: [StrokeEnd; 2]) -> Pace {
    let mut pieces: Pace = vec![];
    let run_up = ends.map(|end| end.run_up_mm.min(0.45 * length_mm));
    const PIECES: usize = 12;
    for (end, &StrokeEnd { dwell_mm, .. }) in ends.iter().enumerate() {
        let place = |from_end: f64| if end == 0 { from_end } else { length_mm - from_end };
        let mut push = |near: f64, far: f64, slowness: f64| {
            let [a, b] = [place(near), place(far)];
            pieces.push([a.min(b), a.max(b), slowness]);
        };
        if run_up[end] > 0.0 {
            for piece in 0..PIECES {
                let [near, far] = [piece, piece + 1].map(|index| index as f64 / PIECES as f64);
                // v² grows linearly with the distance under constant acceleration, so the time is the root's difference.
                push(near * run_up[end], far * run_up[end], 2.0 * (far.sqrt() - near.sqrt()) / (far - near));
            }
        }
        if dwell_mm > 0.0 {
            push(0.0, 1e-3, dwell_mm / 1e-3);
        }
    }
    pieces.push([run_up[0], length_mm - run_up[1], 1.0]);
    pieces
}

/// Running integral of the unit Gaussian, tabulated by summing.
#[derive(Debug)]
pub(super) struct Ogive(Vec<f64>);

impl Ogive {
    pub(super) fn new() -> Self {
        let step: f64 = 1.0 / 256.0;
        let mut sum = 0.0;
        let mut values: Vec<f64> = (0..=2560)
            .map(|index| {
                sum += (-0.5 * ((f64::from(index) - 1280.0) * step).powi(2)).exp();
                sum
            })
            .collect();
        values.iter_mut().for_each(|value| *value /= sum);
        Self(values)
    }

    fn at(&self, x: f64) -> f64 {
        let place = (x * 256.0 + 1280.5).clamp(0.0, 2559.999);
        let index = place as usize;
        self.0[index] + (place - index as f64) * (self.0[index + 1] - self.0[index])
    }
}

/// What a stroke's beam does at each place: half-width and peak over threshold, equally spaced.
#[derive(Debug, Clone)]
pub(super) struct Swept {
    /// Place along the stroke of the first sample, before its start.
    pub(super) first_mm: f64,
    /// Distance between samples.
    pub(super) step_mm: f64,
    /// Noise-free half-width of the kerf.
    pub(super) half_width_mm: Vec<f32>,
    /// Peak over threshold.
    pub(super) peak: Vec<f32>,
}

impl Swept {
    /// Noise-free kerf at a place along the stroke.
    pub(super) fn kerf_at(&self, along_mm: f64) -> f64 {
        let place = (along_mm - self.first_mm) / self.step_mm;
        if place < 0.0 || place >= (self.half_width_mm.len() - 1) as f64 {
            return 0.0;
        }
        let index = place as usize;
        let [a, b] = [self.half_width_mm[index], self.half_width_mm[index + 1]].map(f64::from);
        2.0 * (a + (place - index as f64) * (b - a))
    }
}

/// A stroke to sweep.
pub(super) struct Sweep<'a> {
    pub(super) beam: &'a Beam,
    pub(super) caustic: &'a Caustic,
    /// Lateral heat spread's standard deviation in waist radii.
    pub(super) spread: f64,
    pub(super) length_mm: f64,
    pub(super) ends: [StrokeEnd; 2],
    pub(super) step_mm: f64,
    /// Columns summed ray by ray at each end.
    pub(super) columns: usize,
}

impl Sweep<'_> {
    /// Sweeps it; `height(a)` is the height above the paraxial focus at place `a`.
    pub(super) fn run(&self, height: impl Fn(f64) -> f64 + Sync, ogive: &Ogive) -> Swept {
        use rayon::prelude::*;
        let waist = self.beam.waist_radius_mm();
        let reach = |place: f64| {
            let zeta = self.beam.defocus(height(place));
            1.7 * waist * (1.0 + zeta * zeta + self.beam.aberration.powi(2) + 4.0 * self.spread.powi(2)).sqrt()
        };
        let margins = [reach(0.0), reach(self.length_mm)];
        let first_mm = -margins[0];
        let count = ((self.length_mm + margins[0] + margins[1]) / self.step_mm).ceil() as usize + 1;
        let inner: Vec<[f64; 2]> =
            self.ends.iter().zip(margins).map(|(end, margin)| [margin, margin + end.run_up_mm]).collect();
        let mut half_width_mm = vec![0.0_f32; count];
        let mut peak = vec![0.0_f32; count];
        for index in 0..count {
            let place = first_mm + index as f64 * self.step_mm;
            let zeta = self.beam.defocus(height(place));
            half_width_mm[index] = (self.caustic.half_width(zeta) * waist) as f32;
            peak[index] = self.caustic.peak(zeta) as f32;
        }
        let pieces = pace(self.length_mm, self.ends);
        for (end, [outer, inner]) in inner.into_iter().enumerate() {
            // A stroke shorter than its two end zones is all end: the zones then meet in its middle.
            let inner = inner.min(0.5 * self.length_mm);
            let columns = self.columns;
            let place = |column: usize| {
                let from_end = -outer + (outer + inner) * column as f64 / (columns - 1) as f64;
                if end == 0 { from_end } else { self.length_mm - from_end }
            };
            let values: Vec<[f64; 2]> = (0..columns)
                .into_par_iter()
                .map(|column| self.column(place(column), &height, &pieces, ogive))
                .collect();
            for index in 0..count {
                let along = first_mm + index as f64 * self.step_mm;
                let from_end = if end == 0 { along } else { self.length_mm - along };
                let at = (from_end + outer) / (outer + inner) * (columns - 1) as f64;
                if at < (columns - 1) as f64 && from_end <= inner {
                    let column = at.max(0.0) as usize;
                    let share = (at - column as f64).clamp(0.0, 1.0);
                    let mix = |which: usize| {
                        let next = values[(column + 1).min(columns - 1)];
                        (values[column][which] + share * (next[which] - values[column][which])) as f32
                    };
                    half_width_mm[index] = mix(0);
                    peak[index] = mix(1);
                }
            }
        }
        Swept { first_mm, step_mm: self.step_mm, half_width_mm, peak }
    }

    /// Half-width and peak of one column across the stroke, every ray weighted by the light it left there.
    fn column(&self, place: f64, height: &impl Fn(f64) -> f64, pieces: &Pace, ogive: &Ogive) -> [f64; 2] {
        let waist = self.beam.waist_radius_mm();
        let section = Section::new(self.beam.aberration, self.beam.defocus(height(place)), self.spread);
        let sigma = section.spot / 2.0 * waist;
        let span = 3.0 * section.reach * waist;
        const NODES: usize = 384;
        // A ray that stands `x` ahead of the beam's centre lights this place when the centre is at `place − x`.
        let lit: Vec<f64> = (0..NODES)
            .map(|node| {
                let centre = place + span * (2.0 * node as f64 / (NODES - 1) as f64 - 1.0);
                pieces
                    .iter()
                    .map(|&[from, to, slowness]| {
                        slowness * (ogive.at((centre - from) / sigma) - ogive.at((centre - to) / sigma))
                    })
                    .sum()
            })
            .collect();
        let profile = section.profile(|x| {
            let at = ((-x * waist / span + 1.0) / 2.0 * (NODES - 1) as f64).clamp(0.0, NODES as f64 - 1.001);
            let node = at as usize;
            lit[node] + (at - node as f64) * (lit[node + 1] - lit[node])
        });
        let threshold = self.caustic.threshold;
        [profile.half_width(threshold) * waist, profile.peak() / threshold]
    }
}
