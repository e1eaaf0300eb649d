//! What a perfect reading of a rendered picture would say, and whether one is possible at all.

use super::beam::Caustic;
use super::camera::{Projection, outline};
use super::marks::{MARK_REACH_MM, MarkState, mark_code};
use super::scene::{DatumScene, LineKind, Scene};
use super::stroke::sweep_line;
use super::sweep::{Ogive, Swept};

/// The beam's action on a scene, before grain.
#[derive(Debug)]
pub(super) struct Physics {
    pub(super) caustic: Caustic,
    /// Lateral heat spread in waist radii.
    pub(super) spread: f64,
    pub(super) swept: Swept,
    range: [f64; 2],
}

impl Physics {
    pub(super) fn new(scene: &Scene) -> Self {
        let spread = scene.burn.heat_spread_mm / scene.beam.waist_radius_mm();
        let ramp = &scene.ramp;
        let line = &scene.line;
        let mut range = [f64::MAX, f64::MIN];
        for step in 0..=20 {
            let s = line.start_mm - 3.0 + (line.stop_mm - line.start_mm + 6.0) * f64::from(step) / 20.0;
            let zeta = scene.beam.defocus(ramp.height_at(s) - ramp.focus_height_mm);
            range = [range[0].min(zeta), range[1].max(zeta)];
        }
        let caustic = Caustic::new(scene.beam.aberration, spread, scene.burn.overdrive, range[0], range[1]);
        let swept = sweep_line(scene, &caustic, spread, &Ogive::new());
        Self { caustic, spread, swept, range }
    }

    /// The same beam with another overdrive.
    pub(super) fn caustic_at(&self, beam: &super::beam::Beam, overdrive: f64) -> Caustic {
        Caustic::new(beam.aberration, self.spread, overdrive, self.range[0], self.range[1])
    }

    fn steady_half_width_mm(&self, scene: &Scene, s: f64) -> f64 {
        let zeta = scene.beam.defocus(scene.ramp.height_at(s) - scene.ramp.focus_height_mm);
        self.caustic.half_width(zeta) * scene.beam.waist_radius_mm()
    }

    fn steady_peak(&self, scene: &Scene, s: f64) -> f64 {
        self.caustic.peak(scene.beam.defocus(scene.ramp.height_at(s) - scene.ramp.focus_height_mm))
    }
}

/// The truth of a rendered picture. Positions along the surface from the low datum, mm.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Where the noise-free kerf is narrowest; `None` where there is no such place inside the line, or no such line.
    pub waist: Option<WaistTruth>,
    /// The beam's Rayleigh range, mean of both sides: height over which its 1/e² width grows by √2.
    pub rayleigh_mm: f64,
    /// The same below and above the waist.
    pub rayleigh_sides_mm: [f64; 2],
    /// First and last `s` at which the noise-free line is marked and in the picture.
    pub visible_mm: [f64; 2],
    /// Peak over threshold of the steady beam at the line's start and stop.
    pub end_overdrive: [f64; 2],
    /// Standard deviation of the picture's blur.
    pub blur_px: f64,
    /// Picture places of the low and the high datum.
    pub datum_px: [[f64; 2]; 2],
    /// Picture places of the strip's corners: low right, low left, high left, high right.
    pub outline_px: [[f64; 2]; 4],
    /// Marks that are clean and wholly in the picture, by number; empty with other datums.
    pub clean_marks: Vec<usize>,
    /// Why no good reader need answer; empty where one should.
    pub unanswerable: Vec<&'static str>,
    /// Width and height of the upright picture.
    pub size_px: [usize; 2],
    /// Side of the upright picture on which the low end lies: `left`, `right`, `top` or `bottom`.
    pub low_end: &'static str,
}

/// The finest place.
#[derive(Debug, Clone, PartialEq)]
pub struct WaistTruth {
    /// Along the surface from the low datum.
    pub position_mm: f64,
    /// Height of the strip's top there.
    pub height_mm: f64,
    /// Gap from the nozzle tip there.
    pub spacer_mm: f64,
    /// Height per position there.
    pub slope: f64,
    /// Noise-free kerf.
    pub kerf_mm: f64,
    /// The same in px of this picture, across the line.
    pub kerf_px: f64,
    /// Picture place.
    pub place_px: [f64; 2],
    /// Millimetres per px along the line there.
    pub mm_per_px: f64,
    /// Widest noise-free kerf of the visible line over the narrowest: on the low side, on the high side.
    pub kerf_ratio: [f64; 2],
}

impl Truth {
    /// Whether a good reader should answer.
    pub fn is_answerable(&self) -> bool {
        self.unanswerable.is_empty()
    }

    pub(super) fn new(scene: &Scene, physics: &Physics, projection: &Projection) -> Self {
        let span = scene.ramp.span_mm();
        let [rayleigh_low, rayleigh_high] = scene.beam.rayleigh_sides_mm();
        let rayleigh_mm = 0.5 * (rayleigh_low + rayleigh_high);
        let visible_mm = visible(scene, physics, projection);
        let waist = waist(scene, physics, projection, visible_mm);
        let end_overdrive = [scene.line.start_mm, scene.line.stop_mm].map(|s| physics.steady_peak(scene, s));
        let datum_px = [projection.to_px(0.0, 0.0), projection.to_px(span, 0.0)];
        let [dx, dy] = [datum_px[1][0] - datum_px[0][0], datum_px[1][1] - datum_px[0][1]];
        let low_end = match (dx.abs() > dy.abs(), dx > 0.0, dy > 0.0) {
            (true, true, _) => "left",
            (true, false, _) => "right",
            (false, _, true) => "top",
            (false, _, false) => "bottom",
        };
        let mut truth = Self {
            waist,
            rayleigh_mm,
            rayleigh_sides_mm: [rayleigh_low, rayleigh_high],
            visible_mm,
            end_overdrive,
            blur_px: scene.sensor.blur_px,
            datum_px,
            outline_px: outline(scene).map(|[s, y]| projection.to_px(s, y)),
            clean_marks: clean_marks(scene, physics, projection),
            unanswerable: vec![],
            size_px: projection.size_px,
            low_end,
        };
        truth.unanswerable = truth.why_unanswerable(scene, projection);
        truth
    }

    fn why_unanswerable(&self, scene: &Scene, projection: &Projection) -> Vec<&'static str> {
        let mut reasons = vec![];
        let Some(waist) = &self.waist else { return vec!["no narrowest place"] };
        if waist.kerf_px < 2.5 {
            reasons.push("kerf below 2.5 px");
        }
        if waist.kerf_px < 2.0 * self.blur_px {
            reasons.push("kerf below twice the blur");
        }
        let rim = self.rayleigh_mm / waist.slope;
        if waist.position_mm - self.visible_mm[0] < rim || self.visible_mm[1] - waist.position_mm < rim {
            reasons.push("waist near an end of the visible line");
        }
        if waist.kerf_ratio[0] < 1.2 || waist.kerf_ratio[1] < 1.2 {
            reasons.push("kerf hardly changes");
        }
        match &scene.datum {
            DatumScene::Ends => {
                if self.end_overdrive.iter().any(|&overdrive| overdrive < 2.0) {
                    reasons.push("an end is faded");
                }
                if self.datum_px.iter().any(|&place| !projection.holds(place, 8.0)) {
                    reasons.push("an end is outside the picture");
                }
                let [low, high] = scene.strip.ends_mm;
                if scene.line.start_mm < low || scene.line.stop_mm > high {
                    reasons.push("the line runs off the strip");
                }
            }
            DatumScene::Strip => {
                if self.outline_px.iter().any(|&place| !projection.holds(place, 4.0)) {
                    reasons.push("a short edge is outside the picture");
                }
            }
            DatumScene::Points { .. } => {}
            DatumScene::Marks(_) => {
                // Five neighbours place the row; the first five alone do not tell the way.
                let run = self.clean_marks.windows(5).any(|five| five[4] - five[0] == 4 && five[4] > 4);
                if !run {
                    reasons.push("no five neighbouring marks");
                }
            }
        }
        reasons
    }
}

/// First and last marked place in the picture, going out from the waist's neighbourhood.
fn visible(scene: &Scene, physics: &Physics, projection: &Projection) -> [f64; 2] {
    let [start, stop] = [scene.line.start_mm, scene.line.stop_mm];
    let is_seen = |s: f64| physics.steady_peak(scene, s) > 1.0 && projection.holds(projection.to_px(s, 0.0), 2.0);
    let places: Vec<f64> = (0..=4000).map(|step| start + (stop - start) * f64::from(step) / 4000.0).collect();
    let first = places.iter().copied().find(|&s| is_seen(s)).unwrap_or(start);
    let last = places.iter().rev().copied().find(|&s| is_seen(s)).unwrap_or(start);
    [first, last]
}

fn waist(scene: &Scene, physics: &Physics, projection: &Projection, visible: [f64; 2]) -> Option<WaistTruth> {
    if !matches!(scene.line.kind, LineKind::Burned) || scene.line.second_at_mm.is_some() {
        return None;
    }
    let ramp = &scene.ramp;
    let above = |s: f64| ramp.height_at(s) - ramp.focus_height_mm;
    let zeta = [scene.line.start_mm, scene.line.stop_mm].map(|s| scene.beam.defocus(above(s)));
    let [narrowest, half_width] = physics.caustic.narrowest(zeta)?;
    // The surface rises steadily, so the place at that defocus is found by halving.
    let [mut low, mut high] = [scene.line.start_mm, scene.line.stop_mm];
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if scene.beam.defocus(above(middle)) < narrowest { low = middle } else { high = middle }
    }
    let position_mm = 0.5 * (low + high);
    if position_mm <= visible[0] || position_mm >= visible[1] {
        return None;
    }
    let half_mm = half_width * scene.beam.waist_radius_mm();
    let [a, b] = [projection.to_px(position_mm, half_mm), projection.to_px(position_mm, -half_mm)];
    let [c, d] = [projection.to_px(position_mm - 0.5, 0.0), projection.to_px(position_mm + 0.5, 0.0)];
    let widest = |from: f64, to: f64| {
        (0..=400)
            .map(|step| physics.steady_half_width_mm(scene, from + (to - from) * f64::from(step) / 400.0))
            .fold(0.0, f64::max)
    };
    Some(WaistTruth {
        position_mm,
        height_mm: ramp.height_at(position_mm),
        spacer_mm: ramp.nozzle_height_mm - ramp.height_at(position_mm),
        slope: (ramp.height_at(position_mm + 0.05) - ramp.height_at(position_mm - 0.05)) / 0.1,
        kerf_mm: 2.0 * half_mm,
        kerf_px: (a[0] - b[0]).hypot(a[1] - b[1]),
        place_px: projection.to_px(position_mm, 0.0),
        mm_per_px: 1.0 / (c[0] - d[0]).hypot(c[1] - d[1]),
        kerf_ratio: [widest(visible[0], position_mm), widest(position_mm, visible[1])].map(|wide| wide / half_mm),
    })
}

fn clean_marks(scene: &Scene, physics: &Physics, projection: &Projection) -> Vec<usize> {
    let DatumScene::Marks(row) = &scene.datum else { return vec![] };
    let code = mark_code();
    let caustic = physics.caustic_at(&scene.beam, scene.burn.overdrive * row.strength);
    let ramp = &scene.ramp;
    let states = row.states(scene.seed);
    (0..=row.last)
        .filter(|&index| {
            let s = index as f64 * row.pitch_mm * ramp.span_mm() / ramp.travel_mm;
            let right = if code[index] { MARK_REACH_MM[1] } else { MARK_REACH_MM[2] };
            let is_inside = [MARK_REACH_MM[1], -right].iter().all(|&y| projection.holds(projection.to_px(s, y), 3.0));
            let peak = caustic.peak(scene.beam.defocus(ramp.height_at(s) - ramp.focus_height_mm));
            states[index] == MarkState::Clean && is_inside && peak > 1.6
        })
        .collect()
}
