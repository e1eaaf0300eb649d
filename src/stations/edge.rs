//! One cross profile: a dark (or light) bar on a background that differs from side to side, seen through a blur.
//!
//! Model, linear light over the distance `t` across the line:
//!
//! `I(t) = (bL + sL·dL)·Φ((eL − t)/σ) + c·[Φ((t − eL)/σ) − Φ((t − eR)/σ)] + (bR + sR·dR)·Φ((t − eR)/σ)`
//!
//! with edges `eL < eR`, core `c`, background `b` next to each edge and its slope `s` with the distance `d` outwards
//! (soot and the brown edge fade outwards), and the standard deviation `σ` of blur and pixel together. The edges of
//! the fitted bar are where the unblurred profile passes half-way between background and core, so the width does not
//! saturate where the line is as narrow as the blur. The idea of removing the blur's bias from a line's width by
//! modelling the bar is Steger's (IEEE TPAMI 20(2), 1998); the model here is the bar itself.

use std::f64::consts::{FRAC_1_SQRT_2, TAU};
use std::ops::Range;
use std::sync::OnceLock;

use nalgebra::{SMatrix, SVector};
use statrs::function::erf::erfc;

use crate::locate::profile::Profile;

/// Number of parameters: left edge, right edge, core, two backgrounds, two slopes, ln σ.
const PARAMETERS: usize = 8;
/// Distance from an edge, in blurs, at which a bin shows core or background alone.
const CLEAR: f64 = 1.3;
/// Fewest bins of a region whose scatter is looked at.
const LEAST_REGION: usize = 3;
type Vector = SVector<f64, PARAMETERS>;
type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;

/// What is known beforehand of one profile.
#[derive(Debug, Clone, Copy)]
pub struct Prior {
    /// ln σ (px) and how sure it is.
    pub ln_sigma: (f64, f64),
    /// Core level in linear light and how sure it is; `None`: unknown.
    pub core: Option<(f64, f64)>,
    /// Standard deviation of the light on the core over that on the background.
    pub core_noise: f64,
}

/// A fitted bar. Distances in px from the course, levels in linear light.
#[derive(Debug, Clone, Copy)]
pub struct Bar {
    /// Left and right edge (negative and positive side).
    pub edges_px: [f64; 2],
    /// Level of the core.
    pub core: f64,
    /// Background next to each edge.
    pub background: [f64; 2],
    /// Its slope with the distance outwards, per px.
    pub slopes: [f64; 2],
    /// Standard deviation of blur and pixel.
    pub sigma_px: f64,
    /// Standard uncertainty of the width from the residuals.
    pub u_width_px: f64,
    /// Standard uncertainty of the core level from the residuals.
    pub u_core: f64,
    /// Standard uncertainty of ln σ.
    pub u_ln_sigma: f64,
    /// Robust standard deviation of the residuals over the step from background to core.
    pub misfit: f64,
    /// Median size of the residuals on the core and on the background; `None` without enough bins.
    pub unevenness: Option<[f64; 2]>,
}

impl Bar {
    /// Full width.
    pub fn width_px(&self) -> f64 {
        self.edges_px[1] - self.edges_px[0]
    }

    /// Centre.
    pub fn centre_px(&self) -> f64 {
        0.5 * (self.edges_px[0] + self.edges_px[1])
    }

    /// Step from the core to the background, signed: positive for a dark line.
    pub fn step(&self) -> f64 {
        0.5 * (self.background[0] + self.background[1]) - self.core
    }
}

/// Standard normal distribution and density at steps of `z`, between which they are interpolated.
///
/// The same integrals are asked for at every bin of every profile of every round. With the derivative at both ends known (the
/// density is the distribution's, and −z times the density is the density's) the cubic between two steps errs by less than
/// h⁴/384 times the fourth derivative: below 1e-9 for h = 1/64, far under a picture's grey level.
struct Normal {
    /// Distribution and density at `-FAR + k/PER_UNIT`.
    steps: Vec<[f64; 2]>,
}

impl Normal {
    const PER_UNIT: f64 = 64.0;

    fn table() -> &'static Self {
        static TABLE: OnceLock<Normal> = OnceLock::new();
        TABLE.get_or_init(|| {
            let at = |k: usize| {
                let z = k as f64 / Self::PER_UNIT - FAR;
                [0.5 * erfc(-z * FRAC_1_SQRT_2), (-0.5 * z * z).exp() / TAU.sqrt()]
            };
            // One more than the last, for the place that is just the last.
            Self { steps: (0..=(2.0 * FAR * Self::PER_UNIT) as usize + 1).map(at).collect() }
        })
    }

    /// At `z` between `-FAR` and `FAR`.
    #[inline]
    fn at(&self, z: f64) -> (f64, f64) {
        const STEP: f64 = 1.0 / Normal::PER_UNIT;
        let place = (z + FAR) * Self::PER_UNIT;
        let index = (place as usize).min(self.steps.len() - 2);
        let x = place - index as f64;
        let [[c0, d0], [c1, d1]] = [self.steps[index], self.steps[index + 1]];
        let z0 = index as f64 * STEP - FAR;
        let [s0, s1] = [-z0 * d0, -(z0 + STEP) * d1];
        // Hermite's cubic.
        let y = 1.0 - x;
        let [h0, h1] = [y * y * (1.0 + 2.0 * x), x * x * (3.0 - 2.0 * x)];
        let [g0, g1] = [STEP * x * y * y, -STEP * x * x * y];
        (h0 * c0 + h1 * c1 + g0 * d0 + g1 * d1, h0 * d0 + h1 * d1 + g0 * s0 + g1 * s1)
    }
}

/// The model at one set of parameters.
struct Model {
    edges: [f64; 2],
    core: f64,
    background: [f64; 2],
    slopes: [f64; 2],
    per_sigma: f64,
    normal: &'static Normal,
}

/// Distance over σ beyond which an edge is over: the distribution is 1 or 0 to 4e-6, a quarter of a 16-bit picture's grey level.
const FAR: f64 = 4.5;

impl Model {
    fn new(p: &Vector) -> Self {
        Self {
            edges: [p[0], p[1]],
            core: p[2],
            background: [p[3], p[5]],
            slopes: [p[4], p[6]],
            per_sigma: (-p[7]).exp(),
            normal: Normal::table(),
        }
    }

    /// Which of these distances, in order, lie where.
    fn regions(&self, across_px: &[f64]) -> Regions {
        let reach = FAR / self.per_sigma;
        let before = |limit: f64| across_px.partition_point(|t| *t < limit);
        let [left, right] = self.edges;
        let [from_left, from_right] = [left - reach, right - reach].map(before);
        let [to_left, to_right] = [left + reach, right + reach].map(|limit| before(limit).max(from_right));
        let near_left = from_left..before(left + reach).min(from_right);
        Regions {
            left: 0..from_left,
            core: near_left.end..from_right,
            near_left,
            near_both: from_right..to_left,
            near_right: to_left..to_right.max(to_left),
            right: to_right.max(to_left)..across_px.len(),
        }
    }

    /// Distance from an edge, positive outside.
    #[inline]
    fn outwards(&self, side: usize, t: f64) -> f64 {
        if side == 0 { self.edges[0] - t } else { t - self.edges[1] }
    }

    /// The same over σ, no farther than an edge reaches.
    #[inline]
    fn beyond(&self, side: usize, t: f64) -> f64 {
        (self.outwards(side, t) * self.per_sigma).clamp(-FAR, FAR)
    }

    /// What a side adds to the core near its edge: the addend, and its derivatives by edge, core (less 1), background, slope and ln σ.
    #[inline]
    fn near(&self, side: usize, t: f64) -> (f64, [f64; 5]) {
        let z = self.beyond(side, t);
        let d = self.outwards(side, t).max(0.0);
        // Moving an edge moves the place from which the distance outwards counts.
        let by_reach = if d > 0.0 { self.slopes[side] } else { 0.0 };
        let (c, g) = self.normal.at(z);
        let h = self.background[side] + self.slopes[side] * d - self.core;
        // An edge that moves to the right leaves what lies outside of the left one farther away, and of the right one nearer.
        let sign = if side == 0 { 1.0 } else { -1.0 };
        (h * c, [sign * (h * g * self.per_sigma + by_reach * c), -c, c, d * c, -h * g * z])
    }

    /// Share of the background in what is seen at a distance near an edge or both; the rest is core.
    #[inline]
    fn background_share(&self, t: f64) -> f64 {
        self.normal.at(self.beyond(0, t)).0 + self.normal.at(self.beyond(1, t)).0
    }
}

/// Stretches of a profile, in order: far outside on the left, near the left edge alone, on the core far from both edges (or, of a thin
/// line, near both), near the right edge alone, far outside on the right.
struct Regions {
    left: Range<usize>,
    near_left: Range<usize>,
    core: Range<usize>,
    near_both: Range<usize>,
    near_right: Range<usize>,
    right: Range<usize>,
}

/// Weighted sums over a profile at one set of parameters, and the residuals they are of.
#[derive(Default)]
struct Sums {
    /// Weighted squares of the residuals.
    squares: f64,
    /// `Jᵀ·W·J`, lower triangle.
    normal: [[f64; PARAMETERS]; PARAMETERS],
    /// `Jᵀ·W·r`.
    gradient: [f64; PARAMETERS],
    residuals: Vec<f64>,
}

/// Parameters of each side: edge, background, slope.
const OF_SIDE: [[usize; 3]; 2] = [[0, 3, 4], [1, 5, 6]];
const CORE: usize = 2;
const LN_SIGMA: usize = 7;
/// Sums that run side by side.
const LANES: usize = 4;

impl Sums {
    fn of(profile: &Profile, weights: &[f64], p: &Vector, residuals: Vec<f64>) -> Self {
        let mut sums = Self { residuals, ..Self::default() };
        sums.residuals.clear();
        sums.residuals.resize(profile.len(), 0.0);
        let model = Model::new(p);
        let regions = model.regions(&profile.across_px);
        sums.outside(&model, 0, profile, weights, regions.left);
        sums.near_one(&model, 0, profile, weights, regions.near_left);
        sums.inside(&model, profile, weights, regions.core);
        sums.near_both(&model, profile, weights, regions.near_both);
        sums.near_one(&model, 1, profile, weights, regions.near_right);
        sums.outside(&model, 1, profile, weights, regions.right);
        sums
    }

    /// Adds a stretch where the background alone shows: all derivatives are sums over the distance from the edge.
    fn outside(&mut self, model: &Model, side: usize, profile: &Profile, weights: &[f64], bins: Range<usize>) {
        let [background, slope] = [model.background[side], model.slopes[side]];
        // Weight, times distance, times its square; weight times residual, times distance; squares.
        let mut lanes = [[0f64; LANES]; 6];
        let [across, light, weights] = [&profile.across_px, &profile.light, weights].map(|v| &v[bins.clone()]);
        let residuals = &mut self.residuals[bins];
        let mut add = |lane: usize, t: f64, light: f64, weight: f64, residual: &mut f64| {
            let d = model.outwards(side, t);
            let r = light - (background + slope * d);
            *residual = r;
            let [wd, wr] = [weight * d, weight * r];
            for (sum, part) in lanes.iter_mut().zip([weight, wd, wd * d, wr, wr * d, wr * r]) {
                sum[lane] += part;
            }
        };
        let whole = across.len() - across.len() % LANES;
        for from in (0..whole).step_by(LANES) {
            let [t, l, w] = [across, light, weights].map(|v| &v[from..from + LANES]);
            let r = &mut residuals[from..from + LANES];
            for lane in 0..LANES {
                add(lane, t[lane], l[lane], w[lane], &mut r[lane]);
            }
        }
        for k in whole..across.len() {
            add(0, across[k], light[k], weights[k], &mut residuals[k]);
        }
        let [w, wd, wdd, wr, wrd, squares] = lanes.map(|lanes| lanes.iter().sum::<f64>());
        self.squares += squares;
        let [of_edge, of_background, of_slope] = OF_SIDE[side];
        // Moving an edge moves the place from which the distance counts.
        let by_edge = if side == 0 { slope } else { -slope };
        for (place, sum) in [(of_edge, by_edge * wr), (of_background, wr), (of_slope, wrd)] {
            self.gradient[place] += sum;
        }
        self.normal[of_edge][of_edge] += by_edge * by_edge * w;
        self.normal[of_background][of_edge] += by_edge * w;
        self.normal[of_background][of_background] += w;
        self.normal[of_slope][of_edge] += by_edge * wd;
        self.normal[of_slope][of_background] += wd;
        self.normal[of_slope][of_slope] += wdd;
    }

    /// Adds a stretch where the core alone shows.
    fn inside(&mut self, model: &Model, profile: &Profile, weights: &[f64], bins: Range<usize>) {
        let [mut w, mut wr] = [0.0; 2];
        for k in bins {
            let r = profile.light[k] - model.core;
            self.residuals[k] = r;
            w += weights[k];
            wr += weights[k] * r;
            self.squares += weights[k] * r * r;
        }
        self.gradient[CORE] += wr;
        self.normal[CORE][CORE] += w;
    }

    fn near_one(&mut self, model: &Model, side: usize, profile: &Profile, weights: &[f64], bins: Range<usize>) {
        let [edge, background, slope] = OF_SIDE[side];
        let places = [edge, CORE, background, slope, LN_SIGMA];
        for k in bins {
            let (addend, mut row) = model.near(side, profile.across_px[k]);
            row[1] += 1.0;
            self.residuals[k] = profile.light[k] - (model.core + addend);
            self.add(places, row, weights[k], self.residuals[k]);
        }
    }

    fn near_both(&mut self, model: &Model, profile: &Profile, weights: &[f64], bins: Range<usize>) {
        for k in bins {
            let [(left, l), (right, r)] = [0, 1].map(|side| model.near(side, profile.across_px[k]));
            let row = [l[0], r[0], 1.0 + l[1] + r[1], l[2], l[3], r[2], r[3], l[4] + r[4]];
            self.residuals[k] = profile.light[k] - (model.core + left + right);
            self.add([0, 1, 2, 3, 4, 5, 6, 7], row, weights[k], self.residuals[k]);
        }
    }

    /// `places`: which parameters the row is by, rising.
    #[inline]
    fn add<const N: usize>(&mut self, places: [usize; N], row: [f64; N], weight: f64, residual: f64) {
        self.squares += weight * residual * residual;
        for a in 0..N {
            let scaled = weight * row[a];
            self.gradient[places[a]] += scaled * residual;
            for b in 0..=a {
                self.normal[places[a]][places[b]] += scaled * row[b];
            }
        }
    }

    fn normal(&self) -> Matrix {
        Matrix::from_fn(|a, b| self.normal[a.max(b)][a.min(b)])
    }
}

/// Where a fit begins.
#[derive(Debug, Clone, Copy)]
pub struct Start {
    /// Left and right edge.
    pub edges_px: [f64; 2],
    /// Level of the core.
    pub core: f64,
    /// Background next to each edge.
    pub background: [f64; 2],
    /// Its slope outwards, per px.
    pub slopes: [f64; 2],
}

impl From<&Bar> for Start {
    fn from(bar: &Bar) -> Self {
        Self { edges_px: bar.edges_px, core: bar.core, background: bar.background, slopes: bar.slopes }
    }
}

/// Relative decrease of the cost, and change of any parameter (px, or light), at which a fit has settled: about a hundredth
/// of the width's standard uncertainty. Weights that are still to be found do not ask for as much.
const SETTLED: [(f64, f64); 3] = [(1e-3, 3e-2), (1e-3, 3e-2), (1e-5, 3e-3)];

/// How much each bin of a profile counts.
struct Weighing<'a> {
    profile: &'a Profile,
    /// Variance of the light on the core over that on the background.
    core_variance: f64,
    /// By the bin's pixels.
    base: Vec<f64>,
    /// By what it shows.
    even: Vec<f64>,
    /// All together.
    weights: Vec<f64>,
    /// Room for a median: no negative number, whose bits are in the numbers' order.
    sizes: Vec<u64>,
}

impl<'a> Weighing<'a> {
    /// By pixels: the smaller of the bin's count and the typical one, since grain that runs along the line is not averaged away by more of them.
    fn new(profile: &'a Profile, core_noise: f64) -> Self {
        let mut sizes = Vec::with_capacity(profile.len());
        let typical = median_size(&mut sizes, profile.count.iter().copied()).max(1.0);
        let base: Vec<f64> = profile.count.iter().map(|c| (c / typical).min(1.0)).collect();
        let weights = base.clone();
        Self { profile, core_variance: core_noise.powi(2), even: vec![1.0; base.len()], base, weights, sizes }
    }

    /// By what each bin shows: grain scatters the strip's light many times more than the char's (less where the beam bares a light
    /// ground), and a bin weighs by its variance, or a dark streak beside the line is taken for a part of it.
    fn even_out(&mut self, p: &Vector) {
        let model = Model::new(p);
        let Regions { near_left, core, near_both, near_right, .. } = model.regions(&self.profile.across_px);
        let weight = |share: f64| (1.0 + self.core_variance) / (self.core_variance + share.powi(2));
        self.even.fill(weight(1.0));
        self.even[core].fill(weight(0.0));
        for k in [near_left, near_both, near_right].into_iter().flatten() {
            self.even[k] = weight(model.background_share(self.profile.across_px[k]));
        }
    }

    /// Robust scale of the residuals, those on an even background taken as they are.
    fn scale(&mut self, residuals: &[f64]) -> f64 {
        let sizes = residuals.iter().zip(&self.even).map(|(r, even)| r.abs() * even.sqrt());
        let bins = residuals.len() as f64;
        // The median of all residuals of a fit with eight parameters is small by about sqrt(n/(n-8)).
        1.4826 * median_size(&mut self.sizes, sizes) * (bins / (bins - PARAMETERS as f64)).sqrt()
    }

    /// By what it shows alone.
    fn forget_the_wild(&mut self) {
        for ((weight, base), even) in self.weights.iter_mut().zip(&self.base).zip(&self.even) {
            *weight = base * even;
        }
    }

    /// Residuals beyond about three scales lose weight (Tukey).
    fn spare_the_wild(&mut self, residuals: &[f64], scale: f64) {
        for (((weight, base), residual), even) in self.weights.iter_mut().zip(&self.base).zip(residuals).zip(&self.even)
        {
            let u = residual * even.sqrt() / (4.7 * scale);
            *weight = base * even * if u.abs() < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 };
        }
    }
}

/// Middle one of some numbers, none of them negative; there is one at least.
fn median_size(room: &mut Vec<u64>, sizes: impl Iterator<Item = f64>) -> f64 {
    room.clear();
    room.extend(sizes.map(f64::to_bits));
    let half = room.len() / 2;
    f64::from_bits(*room.select_nth_unstable(half).1)
}

/// Fits the bar; `None` where it does not settle on one.
///
/// First by what the bins show alone, then, twice, sparing those that stray wildly.
pub fn fit(profile: &Profile, start: &Start, prior: &Prior) -> Option<Bar> {
    let bins = profile.len();
    if bins < PARAMETERS + 2 {
        return None;
    }
    let Start { edges_px, core, background, slopes } = *start;
    let step = (0.5 * (background[0] + background[1]) - core).abs().max(1e-4);

    let mut p = Vector::from_column_slice(&[
        edges_px[0],
        edges_px[1],
        core,
        background[0],
        slopes[0],
        background[1],
        slopes[1],
        prior.ln_sigma.0,
    ]);
    let mut weighing = Weighing::new(profile, prior.core_noise);
    weighing.even_out(&p);
    weighing.forget_the_wild();
    let least_scale = (1e-3 * step).max(1e-5);
    let mut scale = 0.1 * step;
    let mut sums = Sums::default();
    let mut damping = 1e-3;
    let mut covariance = Matrix::identity();
    // Slopes are small in truth: a prior of one step per 6 px keeps a noisy side from inventing a steep one.
    let slope_sd = step / 6.0;
    let mut priors = vec![(7, prior.ln_sigma.0, prior.ln_sigma.1), (4, 0.0, slope_sd), (6, 0.0, slope_sd)];
    priors.extend(prior.core.map(|(core, sd)| (2, core, sd)));
    let penalty = |p: &Vector, scale: f64| {
        priors.iter().map(|(k, target, sd)| ((p[*k] - target) / sd).powi(2)).sum::<f64>() * scale * scale
    };
    let mut spare = Vec::with_capacity(bins);
    for (round, (settled_cost, settled_change)) in SETTLED.into_iter().enumerate() {
        sums = Sums::of(profile, &weighing.weights, &p, sums.residuals);
        let mut current = sums.squares + penalty(&p, scale);
        for _ in 0..25 {
            let mut normal = sums.normal();
            let mut gradient = Vector::from(sums.gradient);
            for (k, target, sd) in &priors {
                let w = (scale / sd).powi(2);
                normal[(*k, *k)] += w;
                gradient[*k] += w * (target - p[*k]);
            }
            let mut moved = None;
            for _ in 0..8 {
                let mut damped = normal;
                for k in 0..PARAMETERS {
                    damped[(k, k)] *= 1.0 + damping;
                    damped[(k, k)] += 1e-14;
                }
                let Some(solver) = damped.cholesky() else {
                    damping *= 10.0;
                    continue;
                };
                let mut trial = p + solver.solve(&gradient);
                trial[7] = trial[7].clamp(-1.6, 3.0);
                if trial[1] - trial[0] > 0.05 {
                    let there = Sums::of(profile, &weighing.weights, &trial, std::mem::take(&mut spare));
                    let next = there.squares + penalty(&trial, scale);
                    if next <= current {
                        damping = (damping * 0.3).max(1e-9);
                        moved = Some((trial, next, there));
                        break;
                    }
                    spare = there.residuals;
                }
                damping *= 8.0;
            }
            let Some((trial, next, there)) = moved else { break };
            let change = (trial - p).amax();
            let settled = current - next < settled_cost * current && change < settled_change;
            p = trial;
            current = next;
            spare = std::mem::replace(&mut sums, there).residuals;
            if settled {
                break;
            }
        }
        scale = weighing.scale(&sums.residuals).max(least_scale);
        if round < 2 {
            weighing.even_out(&p);
            weighing.spare_the_wild(&sums.residuals, scale);
        } else {
            let mut normal = sums.normal();
            for (k, _, sd) in &priors {
                normal[(*k, *k)] += (scale / sd).powi(2);
            }
            covariance = normal.try_inverse()? * (scale * scale);
        }
    }
    let [mut product, mut square] = [0.0; 2];
    for pair in sums.residuals.windows(2) {
        product += pair[0] * pair[1];
        square += pair[0] * pair[0];
    }
    // Neighbouring bins share blur and grain: fewer independent residuals than bins (first-order autocorrelation).
    let correlation = (product / square.max(1e-30)).clamp(0.0, 0.75);
    let inflation = (1.0 + correlation) / (1.0 - correlation);
    let sizes = &mut weighing.sizes;
    let mut size_of = |is_in: &dyn Fn(f64) -> bool| {
        let inside = profile.across_px.iter().zip(&sums.residuals).filter(|(t, _)| is_in(**t));
        (inside.clone().nth(LEAST_REGION - 1).is_some()).then(|| median_size(sizes, inside.map(|(_, r)| r.abs())))
    };
    let clear = CLEAR * p[7].exp();
    let unevenness = size_of(&|t| t > p[0] + clear && t < p[1] - clear)
        .zip(size_of(&|t| t < p[0] - clear || t > p[1] + clear))
        .map(|(core, background)| [core, background]);
    let misfit = 1.4826 * size_of(&|_| true)? * (bins as f64 / (bins - PARAMETERS) as f64).sqrt();
    let width_variance = covariance[(0, 0)] + covariance[(1, 1)] - 2.0 * covariance[(0, 1)];
    Some(Bar {
        edges_px: [p[0], p[1]],
        core: p[2],
        background: [p[3], p[5]],
        slopes: [p[4], p[6]],
        sigma_px: p[7].exp(),
        u_width_px: (width_variance.max(0.0) * inflation).sqrt(),
        u_core: (covariance[(2, 2)].max(0.0) * inflation).sqrt(),
        u_ln_sigma: (covariance[(7, 7)].max(0.0) * inflation).sqrt(),
        misfit: misfit / step,
        unevenness,
    })
    .filter(|bar| bar.width_px().is_finite() && bar.u_width_px.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::function::erf::erf;

    #[test]
    fn normal_distribution_agrees_with_statrs() {
        for k in -450..=450 {
            let z = 0.01 * f64::from(k);
            let (distribution, density) = Normal::table().at(z);
            assert!((distribution - 0.5 * (1.0 + erf(z / 2f64.sqrt()))).abs() < 1e-9, "{z}");
            assert!((density - (-0.5 * z * z).exp() / TAU.sqrt()).abs() < 1e-9, "{z}");
        }
    }

    /// Value and all derivatives.
    fn model(p: &Vector, t: f64) -> (f64, Vector) {
        let profile = Profile { across_px: vec![t], light: vec![0.0], ..Profile::default() };
        let sums = Sums::of(&profile, &[1.0], p, Vec::new());
        let value = -sums.residuals[0];
        // One bin's gradient sum is its row times the residual.
        (value, Vector::from(sums.gradient.map(|g| g / -value)))
    }

    #[test]
    fn gradient_agrees_with_differences() {
        let p = Vector::from_column_slice(&[-3.2, 4.1, 0.05, 0.4, 0.004, 0.5, -0.003, 0.1]);
        for t in [-40.0, -9.0, -3.5, -3.0, 0.0, 3.9, 4.4, 8.0, 30.0] {
            let (_, gradient) = model(&p, t);
            for k in 0..PARAMETERS {
                let step = 1e-4;
                let [mut up, mut down] = [p, p];
                up[k] += step;
                down[k] -= step;
                let numeric = (model(&up, t).0 - model(&down, t).0) / (2.0 * step);
                assert!((gradient[k] - numeric).abs() < 3e-3, "t {t} parameter {k}: {} {numeric}", gradient[k]);
            }
        }
    }

    /// The bar comes back from its own pixels, also where it is as thin as two and a half of them.
    #[test]
    fn a_thin_blurred_bar_keeps_its_width() {
        for width in [2.5, 4.0, 9.0] {
            let truth =
                Vector::from_column_slice(&[-width / 2.0 + 0.2, width / 2.0 + 0.2, 0.04, 0.5, 0.0, 0.4, 0.0, 0.0]);
            let across_px: Vec<f64> = (-60..=60).map(|k| 0.25 * f64::from(k)).collect();
            let light = across_px.iter().map(|t| model(&truth, *t).0).collect();
            let n = across_px.len();
            let profile = Profile { across_px, light, count: vec![10.0; n], inside: 1.0 };
            let prior = Prior { ln_sigma: (0.0, 0.05), core: Some((0.04, 0.01)), core_noise: 1.0 };
            let start = Start {
                edges_px: [-width / 2.0 - 0.5, width / 2.0 + 0.8],
                core: 0.1,
                background: [0.45; 2],
                slopes: [0.0; 2],
            };
            let bar = fit(&profile, &start, &prior).unwrap();
            assert!((bar.width_px() - width).abs() < 0.02 * width, "{width}: {}", bar.width_px());
        }
    }
}
