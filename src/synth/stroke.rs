//! A burned stroke on the surface: its two edges at fine steps along it, grain and wobble included, and how it looks.

use super::marks::{MARK_REACH_MM, MarkState, mark_code};
use super::noise::{Dice, wander};
use super::scene::{Burn, DatumScene, LineKind, Scene};
use super::sweep::{Ogive, StrokeEnd, Sweep, Swept};
use super::truth::Physics;

/// Distance between the samples of a stroke's edges, mm.
const STEP_MM: f64 = 0.0125;
/// Standard deviations of the soot stain after which nothing of it is left.
const SOOT_REACH: f32 = 3.0;

/// How a stroke looks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Look {
    pub(super) core: f32,
    pub(super) softness_mm: f32,
    brown_depth: f32,
    brown_width_mm: f32,
    soot_depth: f32,
    soot_width_mm: f32,
    soot_shift_mm: f32,
}

/// One sample along a stroke, lengths in mm across it, positive to its left.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sample {
    left: f32,
    right: f32,
    /// Contrast of the core, 0 to 1.
    depth: f32,
    /// Strength of the brown edge, 0 to 1.
    scorch: f32,
    /// Strength of the soot, 0 to 1: smoke drifts along the line, too.
    soot: f32,
    /// Cosine between the edge's normal and the across direction.
    tilt: f32,
    /// Half-width of the slot that is burned through.
    slot: f32,
}

/// A stroke.
#[derive(Debug, Clone)]
pub(super) struct Stroke {
    origin: [f64; 2],
    direction: [f64; 2],
    first_mm: f64,
    samples: Vec<Sample>,
    /// Farthest edge from the axis, and farthest stain.
    widest: [f64; 2],
    pub(super) look: Look,
}

impl Stroke {
    fn new(origin: [f64; 2], direction: [f64; 2], first_mm: f64, samples: Vec<Sample>, look: Look) -> Self {
        let edge = f64::from(samples.iter().fold(0.0_f32, |widest, s| widest.max(s.left.abs()).max(s.right.abs())));
        let brown = 6.0 * look.brown_width_mm;
        let soot = if look.soot_depth > 0.0 { SOOT_REACH * look.soot_width_mm + look.soot_shift_mm.abs() } else { 0.0 };
        Self { origin, direction, first_mm, samples, widest: [edge, edge + f64::from(brown.max(soot))], look }
    }

    /// Whether a place is too far aside to be touched in any way; most places are.
    pub(super) fn is_beside(&self, s: f64, y: f64) -> bool {
        let [along, across] = self.local(s, y);
        let last = self.first_mm + STEP_MM * self.samples.len() as f64;
        across.abs() > self.widest[1] || along < self.first_mm - 0.3 || along > last + 0.3
    }

    /// Sample at `along`, interpolated; nothing beyond its ends.
    fn sample(&self, along: f64) -> Sample {
        let place = (along - self.first_mm) / STEP_MM;
        if place < 0.0 || place >= (self.samples.len() - 1) as f64 {
            return Sample::default();
        }
        let index = place as usize;
        let share = (place - index as f64) as f32;
        let [a, b] = [self.samples[index], self.samples[index + 1]];
        let mix = |a: f32, b: f32| a + share * (b - a);
        Sample {
            left: mix(a.left, b.left),
            right: mix(a.right, b.right),
            depth: mix(a.depth, b.depth),
            scorch: mix(a.scorch, b.scorch),
            soot: mix(a.soot, b.soot),
            tilt: mix(a.tilt, b.tilt),
            slot: mix(a.slot, b.slot),
        }
    }

    /// Along and across coordinates of a surface place.
    fn local(&self, s: f64, y: f64) -> [f64; 2] {
        let [dx, dy] = [s - self.origin[0], y - self.origin[1]];
        [dx * self.direction[0] + dy * self.direction[1], dy * self.direction[0] - dx * self.direction[1]]
    }

    /// Whether the core may touch a pixel of the given size at a place.
    pub(super) fn is_near(&self, s: f64, y: f64, pixel_mm: f64) -> bool {
        let [along, across] = self.local(s, y);
        let rim = 1.5 * pixel_mm + 2.0 * f64::from(self.look.softness_mm);
        if across.abs() > self.widest[0] + rim {
            return false;
        }
        [-pixel_mm, 0.0, pixel_mm].iter().any(|shift| {
            let sample = self.sample(along + shift);
            sample.depth > 0.0 && across < f64::from(sample.left) + rim && across > f64::from(sample.right) - rim
        })
    }

    /// Share of core at a place, and share of slot. The edge is taken to be at least `least_softness_mm` soft to either side:
    /// samples that far apart then add up to the area without steps.
    pub(super) fn core_at(&self, s: f64, y: f64, least_softness_mm: f32) -> [f32; 2] {
        let [along, across] = self.local(s, y);
        let sample = self.sample(along);
        if sample.left <= sample.right || sample.depth <= 0.0 {
            return [0.0; 2];
        }
        let across = across as f32;
        let outside = (across - sample.left).max(sample.right - across) * sample.tilt;
        let cover = (0.5 - 0.5 * outside / self.look.softness_mm.max(least_softness_mm)).clamp(0.0, 1.0);
        let centre = 0.5 * (sample.left + sample.right);
        let slot = f32::from(sample.slot > 0.0 && (across - centre).abs() < sample.slot);
        [cover * cover * (3.0 - 2.0 * cover) * sample.depth, slot]
    }

    /// What brown edge and soot leave of the light at a place.
    pub(super) fn stain_at(&self, s: f64, y: f64) -> f32 {
        let [along, across] = self.local(s, y);
        let sample = self.sample(along);
        if sample.soot <= 0.0 {
            return 1.0;
        }
        let across = across as f32;
        let outside = (across - sample.left).max(sample.right - across).max(0.0);
        let brown = if outside < 6.0 * self.look.brown_width_mm {
            self.look.brown_depth * (-outside / self.look.brown_width_mm).exp()
        } else {
            0.0
        };
        let off = (across - 0.5 * (sample.left + sample.right) - self.look.soot_shift_mm) / self.look.soot_width_mm;
        let soot = if off.abs() < SOOT_REACH { self.look.soot_depth * (-0.5 * off * off).exp() } else { 0.0 };
        (1.0 - brown * sample.scorch) * (1.0 - soot * sample.soot)
    }

    /// Range of `s` that it can touch, stains included.
    pub(super) fn range(&self) -> [f64; 2] {
        let ends = [self.first_mm, self.first_mm + STEP_MM * self.samples.len() as f64]
            .map(|along| self.origin[0] + along * self.direction[0]);
        let rim = if self.direction[0].abs() > 0.5 { 0.5 } else { self.widest[1] };
        [ends[0].min(ends[1]) - rim, ends[0].max(ends[1]) + rim]
    }
}

/// All strokes of a scene.
pub(super) fn strokes(scene: &Scene, physics: &Physics, core: f32) -> Vec<Stroke> {
    let look = look(&scene.burn, core);
    let line = &scene.line;
    let mut dice = Dice::new(scene.seed, 31);
    let mut all = vec![];
    let rough = |dice: &mut Dice| Rough {
        kerf_wander: scene.burn.kerf_wander,
        edge_wander: scene.burn.edge_wander,
        wander_length_mm: scene.burn.wander_length_mm,
        raggedness_mm: scene.burn.raggedness_mm,
        wobble_mm: line.wobble_mm,
        periodic: line.periodic,
        through_above: scene.burn.through_above,
        seed: dice.seed(),
    };
    let along_line = |swept: &Swept, offset: f64, rough: &Rough, look: Look| {
        build(swept, [line.start_mm, offset], [1.0, 0.0], rough, look)
    };
    match line.kind {
        LineKind::Absent => {}
        LineKind::Burned => {
            let first = rough(&mut dice);
            all.push(along_line(&physics.swept, 0.0, &first, look));
            if let Some(offset) = line.second_at_mm {
                let second = rough(&mut dice);
                all.push(along_line(&physics.swept, offset, &second, look));
            }
        }
        LineKind::Dotted { pitch_mm, duty } => {
            let mut swept = physics.swept.clone();
            for (index, half_width) in swept.half_width_mm.iter_mut().enumerate() {
                let phase = ((swept.first_mm + index as f64 * swept.step_mm) / pitch_mm).rem_euclid(1.0) / duty;
                let round = (1.0 - (2.0 * phase - 1.0).powi(2)).max(0.0).sqrt();
                *half_width *= if phase < 1.0 { round as f32 } else { 0.0 };
            }
            let rough = rough(&mut dice);
            all.push(along_line(&swept, 0.0, &rough, look));
        }
        LineKind::Filled { width_mm, interval_mm } => {
            let count = (width_mm / interval_mm).ceil().max(2.0) as usize;
            for index in 0..count {
                let offset = (index as f64 - 0.5 * (count - 1) as f64) * interval_mm;
                let rough = rough(&mut dice);
                all.push(along_line(&physics.swept, offset, &rough, look));
            }
        }
        LineKind::Pen { width_mm } => {
            let rough = Rough { kerf_wander: 0.03, edge_wander: 0.01, through_above: None, ..rough(&mut dice) };
            let swept = ruled(line.stop_mm - line.start_mm, [width_mm; 2]);
            all.push(along_line(&swept, 0.0, &rough, Look { brown_depth: 0.0, soot_depth: 0.0, ..look }));
        }
        LineKind::Taper { widths_mm } => {
            let rough = rough(&mut dice);
            all.push(along_line(&ruled(line.stop_mm - line.start_mm, widths_mm), 0.0, &rough, look));
        }
    }
    if let (DatumScene::Marks(_), false) = (&scene.datum, matches!(line.kind, LineKind::Absent)) {
        marks(scene, physics, look, &mut dice, &mut all);
    }
    all
}

fn look(burn: &Burn, core: f32) -> Look {
    Look {
        core,
        softness_mm: burn.edge_softness_mm as f32,
        brown_depth: burn.brown_depth as f32,
        brown_width_mm: burn.brown_width_mm as f32,
        soot_depth: burn.soot_depth as f32,
        soot_width_mm: burn.soot_width_mm as f32,
        soot_shift_mm: burn.soot_shift_mm as f32,
    }
}

/// A line of given widths at its two ends, with square ends.
fn ruled(length_mm: f64, widths_mm: [f64; 2]) -> Swept {
    let count = (length_mm / STEP_MM).ceil() as usize + 1;
    let half_width_mm = (0..count)
        .map(|index| {
            let share = index as f64 / (count - 1) as f64;
            (0.5 * (widths_mm[0] + share * (widths_mm[1] - widths_mm[0]))) as f32
        })
        .collect();
    Swept { first_mm: 0.0, step_mm: STEP_MM, half_width_mm, peak: vec![6.0; count] }
}

/// Sweeps the long stroke of a scene.
pub(super) fn sweep_line(scene: &Scene, physics_caustic: &super::beam::Caustic, spread: f64, ogive: &Ogive) -> Swept {
    let ramp = &scene.ramp;
    let start = scene.line.start_mm;
    Sweep {
        beam: &scene.beam,
        caustic: physics_caustic,
        spread,
        length_mm: scene.line.stop_mm - start,
        ends: scene.line.ends,
        step_mm: STEP_MM,
        columns: 64,
    }
    .run(|along| ramp.height_at(start + along) - ramp.focus_height_mm, ogive)
}

/// What makes a stroke's edges uneven.
struct Rough {
    kerf_wander: f64,
    edge_wander: f64,
    wander_length_mm: f64,
    raggedness_mm: f64,
    wobble_mm: f64,
    periodic: Option<[f64; 2]>,
    through_above: Option<f64>,
    seed: u64,
}

fn build(swept: &Swept, origin: [f64; 2], direction: [f64; 2], rough: &Rough, look: Look) -> Stroke {
    let swept = &padded(swept, 2.0 * f64::from(look.soot_width_mm));
    let count = swept.half_width_mm.len();
    let mut dice = Dice::new(rough.seed, 32);
    let scale = |length_mm: f64| length_mm / swept.step_mm;
    let both = wander(&mut dice, count, scale(rough.wander_length_mm));
    let sides = [(); 2].map(|()| wander(&mut dice, count, scale(rough.wander_length_mm)));
    // Raggedness on three scales: tears of the fibre down to single cells.
    let ragged = [(); 2].map(|()| {
        let layers = [(0.30, 0.65), (0.10, 0.6), (0.04, 0.47)]
            .map(|(length, part)| (wander(&mut dice, count, scale(length)), part));
        (0..count)
            .map(|index| layers.iter().map(|(layer, part)| layer[index] * part).sum::<f32>())
            .collect::<Vec<f32>>()
    });
    let slow = wander(&mut dice, count, scale(25.0));
    let phase = dice.between(0.0, std::f64::consts::TAU);
    let mut samples: Vec<Sample> = (0..count)
        .map(|index| {
            let half = swept.half_width_mm[index];
            let peak = swept.peak[index];
            let along = swept.first_mm + index as f64 * swept.step_mm;
            let mut centre = rough.wobble_mm as f32 * slow[index];
            if let Some([amplitude, period]) = rough.periodic {
                centre += (amplitude * (std::f64::consts::TAU * along / period + phase).sin()) as f32;
            }
            // A kerf that is about to close cannot be ragged by more than itself.
            let torn = rough.raggedness_mm as f32 * (half / 0.03).min(1.0);
            let edge = |side: usize| {
                let grain =
                    1.0 + rough.kerf_wander as f32 * both[index] + rough.edge_wander as f32 * sides[side][index];
                half * grain.max(0.2) + torn * ragged[side][index]
            };
            let next = swept.half_width_mm[(index + 4).min(count - 1)];
            let before = swept.half_width_mm[index.saturating_sub(4)];
            let slope = (next - before) / (8.0 * swept.step_mm) as f32;
            let is_marked = half > 0.0;
            let depth = if is_marked { 0.3 + 0.7 * (1.0 - (-(peak - 1.0).max(0.0) / 1.5).exp()) } else { 0.0 };
            let warm = ((peak - 0.45) / 0.55).clamp(0.0, 1.0);
            let scorch = warm * warm * (3.0 - 2.0 * warm) * (1.0 - 0.5 * (-(peak - 1.0).max(0.0) / 3.0).exp());
            let slot = rough.through_above.map_or(0.0, |above| if f64::from(peak) > above { 0.6 * half } else { 0.0 });
            Sample {
                left: centre + if is_marked { edge(0) } else { 0.0 },
                right: centre - if is_marked { edge(1) } else { 0.0 },
                depth,
                scorch,
                soot: scorch,
                tilt: 1.0 / (1.0 + slope * slope).sqrt(),
                slot,
            }
        })
        .collect();
    drift(&mut samples, (f64::from(look.soot_width_mm) / swept.step_mm) as usize);
    Stroke::new(origin, direction, swept.first_mm, samples, look)
}

/// The same with unmarked surface before and after.
fn padded(swept: &Swept, rim_mm: f64) -> Swept {
    let rim = (rim_mm / swept.step_mm) as usize;
    let pad = |values: &[f32]| [&vec![0.0; rim], values, &vec![0.0; rim]].concat();
    Swept {
        first_mm: swept.first_mm - rim as f64 * swept.step_mm,
        step_mm: swept.step_mm,
        half_width_mm: pad(&swept.half_width_mm),
        peak: pad(&swept.peak),
    }
}

/// Smooths the soot along the stroke: a running mean over twice `reach` samples.
fn drift(samples: &mut [Sample], reach: usize) {
    let mut sums = vec![0.0_f64];
    for sample in samples.iter() {
        sums.push(sums[sums.len() - 1] + f64::from(sample.soot));
    }
    for (index, sample) in samples.iter_mut().enumerate() {
        let [from, to] = [index.saturating_sub(reach), (index + reach + 1).min(sums.len() - 1)];
        sample.soot = ((sums[to] - sums[from]) / (2 * reach + 1) as f64) as f32;
    }
}

fn marks(scene: &Scene, physics: &Physics, look: Look, dice: &mut Dice, all: &mut Vec<Stroke>) {
    let DatumScene::Marks(row) = &scene.datum else { return };
    let code = mark_code();
    let ogive = Ogive::new();
    let caustic = physics.caustic_at(&scene.beam, scene.burn.overdrive * row.strength);
    let [inner, outer, short] = MARK_REACH_MM;
    let ramp = &scene.ramp;
    let rough = |seed: u64| Rough {
        kerf_wander: scene.burn.kerf_wander,
        edge_wander: scene.burn.edge_wander,
        wander_length_mm: scene.burn.wander_length_mm,
        raggedness_mm: scene.burn.raggedness_mm,
        wobble_mm: 0.0,
        periodic: None,
        through_above: scene.burn.through_above.map(|above| above * 2.0),
        seed,
    };
    let sweep = |s: f64, length_mm: f64| {
        let height = ramp.height_at(s) - ramp.focus_height_mm;
        Sweep {
            beam: &scene.beam,
            caustic: &caustic,
            spread: physics.spread,
            length_mm,
            ends: [StrokeEnd::default(); 2],
            step_mm: STEP_MM,
            columns: 20,
        }
        .run(|_| height, &ogive)
    };
    let mut halves = |s: f64, is_long: bool, state: MarkState, dice: &mut Dice| {
        let long = sweep(s, outer - inner);
        let other = if is_long { long.clone() } else { sweep(s, short - inner) };
        // A short stroke smokes less than a long one.
        let mut look =
            Look { soot_width_mm: 0.5 * look.soot_width_mm, soot_shift_mm: 0.5 * look.soot_shift_mm, ..look };
        if state == MarkState::Smeared {
            look.softness_mm = dice.between(0.15, 0.5) as f32;
            look.soot_depth = look.soot_depth.max(0.35);
        }
        for (mut swept, side) in [(long, 1.0), (other, -1.0)] {
            if state == MarkState::Faint {
                swept.half_width_mm.iter_mut().for_each(|half| *half *= 0.7);
                swept.peak.iter_mut().for_each(|peak| *peak = peak.min(1.05));
            }
            let rough = rough(dice.seed());
            all.push(build(&swept, [s, side * inner], [0.0, side], &rough, look));
        }
    };
    for (index, state) in row.states(scene.seed).into_iter().enumerate() {
        if state != MarkState::Missing {
            let s = index as f64 * row.pitch_mm * ramp.span_mm() / ramp.travel_mm;
            halves(s, code[index], state, dice);
        }
    }
    for &s in &row.false_at_mm {
        let is_long = dice.chance(0.5);
        halves(s, is_long, MarkState::Clean, dice);
    }
}
