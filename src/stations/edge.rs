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

use nalgebra::{SMatrix, SVector};

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

/// Standard normal distribution and density at `z`.
///
/// Abramowitz and Stegun, *Handbook of Mathematical Functions*, 7.1.26 (from memory; checked below against `statrs`):
/// the error is below 1e-7 of the step, far under a picture's grey level, and both functions share one exponential.
#[inline]
fn normal(z: f64) -> (f64, f64) {
    if z.abs() > 6.0 {
        return (if z > 0.0 { 1.0 } else { 0.0 }, 0.0);
    }
    let gauss = (-0.5 * z * z).exp();
    let t = 1.0 / (1.0 + 0.327_591_1 * std::f64::consts::FRAC_1_SQRT_2 * z.abs());
    let poly =
        t * (0.254_829_592 + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    let tail = 0.5 * poly * gauss;
    let cdf = if z > 0.0 { 1.0 - tail } else { tail };
    (cdf, gauss * 0.398_942_280_401_432_7)
}

/// Value and gradient of the model at distance `t`.
fn model(p: &Vector, t: f64) -> (f64, Vector) {
    let [left, right, core, bl, sl, br, sr] = [p[0], p[1], p[2], p[3], p[4], p[5], p[6]];
    let sigma = p[7].exp();
    let [zl, zr] = [(left - t) / sigma, (t - right) / sigma];
    let ((cl, gl), (cr, gr)) = (normal(zl), normal(zr));
    let [dl, dr] = [(left - t).max(0.0), (t - right).max(0.0)];
    let [hl, hr] = [bl + sl * dl - core, br + sr * dr - core];
    let value = core + hl * cl + hr * cr;
    let mut gradient = Vector::zeros();
    gradient[0] = hl * gl / sigma + if dl > 0.0 { sl * cl } else { 0.0 };
    gradient[1] = -hr * gr / sigma - if dr > 0.0 { sr * cr } else { 0.0 };
    gradient[2] = 1.0 - cl - cr;
    gradient[3] = cl;
    gradient[4] = dl * cl;
    gradient[5] = cr;
    gradient[6] = dr * cr;
    gradient[7] = -(hl * gl * zl + hr * gr * zr);
    (value, gradient)
}

/// Fits the bar; `None` where it does not settle on one.
///
/// `start`: edges to begin with. Bins weigh by the smaller of their pixel count and the typical one, since grain that
/// runs along the line is not averaged away by more pixels; residuals beyond about three scales lose weight (Tukey).
pub fn fit(profile: &Profile, start: [f64; 2], levels: [f64; 3], prior: &Prior) -> Option<Bar> {
    let bins = profile.len();
    if bins < PARAMETERS + 2 {
        return None;
    }
    let mut counts = profile.count.clone();
    counts.sort_by(f64::total_cmp);
    let typical = counts[bins / 2].max(1.0);
    let base: Vec<f64> = profile.count.iter().map(|c| (c / typical).min(1.0)).collect();
    let step = (0.5 * (levels[1] + levels[2]) - levels[0]).abs().max(1e-4);

    let mut p =
        Vector::from_column_slice(&[start[0], start[1], levels[0], levels[1], 0.0, levels[2], 0.0, prior.ln_sigma.0]);
    let mut scale = 0.1 * step;
    // Grain scatters the strip's light many times more than the char's (less where the beam bares a light ground):
    // each bin weighs by the variance of what it shows, or a dark streak beside the line is taken for a part of it.
    let evenness = |p: &Vector, t: f64| {
        let variance = prior.core_noise.powi(2);
        let sigma = p[7].exp();
        let cover = normal((p[0] - t) / sigma).0 + normal((t - p[1]) / sigma).0;
        (1.0 + variance) / (variance + cover * cover)
    };
    let even = |p: &Vector| -> Vec<f64> { profile.across_px.iter().map(|t| evenness(p, *t)).collect() };
    let mut evens = even(&p);
    let mut weights: Vec<f64> = base.iter().zip(&evens).map(|(b, e)| b * e).collect();
    let mut damping = 1e-3;
    let mut covariance = Matrix::identity();
    let mut residuals = vec![0.0; bins];
    // Slopes are small in truth: a prior of one step per 6 px keeps a noisy side from inventing a steep one.
    let slope_sd = step / 6.0;
    let penalty = |p: &Vector, scale: f64| {
        let mut sum = ((p[7] - prior.ln_sigma.0) / prior.ln_sigma.1).powi(2);
        sum += (p[4] / slope_sd).powi(2) + (p[6] / slope_sd).powi(2);
        if let Some((core, sd)) = prior.core {
            sum += ((p[2] - core) / sd).powi(2);
        }
        sum * scale * scale
    };
    let cost = |p: &Vector, weights: &[f64], scale: f64| {
        let data: f64 =
            (0..bins).map(|i| weights[i] * (profile.light[i] - model(p, profile.across_px[i]).0).powi(2)).sum();
        data + penalty(p, scale)
    };
    for round in 0..3 {
        let mut current = cost(&p, &weights, scale);
        for _ in 0..25 {
            let mut normal = Matrix::zeros();
            let mut gradient = Vector::zeros();
            for (i, weight) in weights.iter().enumerate() {
                let (value, row) = model(&p, profile.across_px[i]);
                let r = profile.light[i] - value;
                normal += row * row.transpose() * *weight;
                gradient += row * (weight * r);
            }
            let mut add = |k: usize, target: f64, sd: f64| {
                let w = (scale / sd).powi(2);
                normal[(k, k)] += w;
                gradient[k] += w * (target - p[k]);
            };
            add(7, prior.ln_sigma.0, prior.ln_sigma.1);
            add(4, 0.0, slope_sd);
            add(6, 0.0, slope_sd);
            if let Some((core, sd)) = prior.core {
                add(2, core, sd);
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
                let next = cost(&trial, &weights, scale);
                if trial[1] - trial[0] > 0.05 && next <= current {
                    damping = (damping * 0.3).max(1e-9);
                    moved = Some((trial, next));
                    break;
                }
                damping *= 8.0;
            }
            let Some((trial, next)) = moved else { break };
            let change = (trial - p).amax();
            let settled = current - next < 1e-9 * current && change < 1e-4;
            p = trial;
            current = next;
            if settled {
                break;
            }
        }
        let mut normal = Matrix::zeros();
        for i in 0..bins {
            let (value, row) = model(&p, profile.across_px[i]);
            residuals[i] = profile.light[i] - value;
            normal += row * row.transpose() * weights[i];
        }
        let mut sizes: Vec<f64> = residuals.iter().zip(&evens).map(|(r, e)| r.abs() * e.sqrt()).collect();
        sizes.sort_by(f64::total_cmp);
        // The median of all residuals of a fit with eight parameters is small by about sqrt(n/(n-8)).
        scale =
            (1.4826 * sizes[bins / 2] * (bins as f64 / (bins - PARAMETERS) as f64).sqrt()).max(1e-3 * step).max(1e-5);
        normal[(7, 7)] += (scale / prior.ln_sigma.1).powi(2);
        normal[(4, 4)] += (scale / slope_sd).powi(2);
        normal[(6, 6)] += (scale / slope_sd).powi(2);
        if let Some((_, sd)) = prior.core {
            normal[(2, 2)] += (scale / sd).powi(2);
        }
        covariance = normal.try_inverse()? * (scale * scale);
        if round < 2 {
            evens = even(&p);
            for (((weight, base), residual), even) in weights.iter_mut().zip(&base).zip(&residuals).zip(&evens) {
                let u = residual * even.sqrt() / (4.7 * scale);
                *weight = base * even * if u.abs() < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 };
            }
        }
    }
    let [mut product, mut square] = [0.0; 2];
    for pair in residuals.windows(2) {
        product += pair[0] * pair[1];
        square += pair[0] * pair[0];
    }
    // Neighbouring bins share blur and grain: fewer independent residuals than bins (first-order autocorrelation).
    let correlation = (product / square.max(1e-30)).clamp(0.0, 0.75);
    let inflation = (1.0 + correlation) / (1.0 - correlation);
    let region = |is_core: bool| {
        let sigma = p[7].exp();
        let mut sizes: Vec<f64> = (0..bins)
            .filter(|i| {
                let t = profile.across_px[*i];
                let inside = (t - p[0]).min(p[1] - t);
                if is_core { inside > CLEAR * sigma } else { inside < -CLEAR * sigma }
            })
            .map(|i| residuals[i].abs())
            .collect();
        sizes.sort_by(f64::total_cmp);
        (sizes.len() >= LEAST_REGION).then(|| sizes[sizes.len() / 2])
    };
    let unevenness = region(true).zip(region(false)).map(|(core, background)| [core, background]);
    let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let plain_scale = 1.4826 * sizes[bins / 2] * (bins as f64 / (bins - PARAMETERS) as f64).sqrt();
    let width_variance = covariance[(0, 0)] + covariance[(1, 1)] - 2.0 * covariance[(0, 1)];
    Some(Bar {
        edges_px: [p[0], p[1]],
        core: p[2],
        background: [p[3], p[5]],
        sigma_px: p[7].exp(),
        u_width_px: (width_variance.max(0.0) * inflation).sqrt(),
        u_core: (covariance[(2, 2)].max(0.0) * inflation).sqrt(),
        u_ln_sigma: (covariance[(7, 7)].max(0.0) * inflation).sqrt(),
        misfit: plain_scale / step,
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
        for k in -70..=70 {
            let z = 0.1 * f64::from(k);
            assert!((normal(z).0 - 0.5 * (1.0 + erf(z / 2f64.sqrt()))).abs() < 2e-7, "{z}");
        }
    }

    #[test]
    fn gradient_agrees_with_differences() {
        let p = Vector::from_column_slice(&[-3.2, 4.1, 0.05, 0.4, 0.004, 0.5, -0.003, 0.1]);
        for t in [-9.0, -3.5, -3.0, 0.0, 3.9, 4.4, 8.0] {
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
            let profile = Profile { across_px, light, scatter: vec![0.0; n], count: vec![10.0; n], inside: 1.0 };
            let prior = Prior { ln_sigma: (0.0, 0.05), core: Some((0.04, 0.01)), core_noise: 1.0 };
            let bar = fit(&profile, [-width / 2.0 - 0.5, width / 2.0 + 0.8], [0.1, 0.45, 0.45], &prior).unwrap();
            assert!((bar.width_px() - width).abs() < 0.02 * width, "{width}: {}", bar.width_px());
        }
    }
}
