//! The focused beam as a bundle of rays, each carrying a small Gaussian spot.
//!
//! A ray that leaves the lens at radius `t` (in units of the beam's 1/e² radius there) crosses the axis at
//! `ζ = σ·t²` instead of at zero: longitudinal spherical aberration. At height `ζ` (in Rayleigh ranges from the
//! paraxial focus, positive towards the lens) it stands `t·(ζ − σ·t²)` waist radii off the axis. The spot it
//! carries has the diffraction-limited waist. Without aberration the sum of these spots is the Gaussian beam; with it, one side of
//! the waist has a ring and the other a core with a halo, so that the two sides are unequal.
//! (Ray model with diffraction blur: from memory; that its sum is right is tested below.)

/// A focused beam. Lengths in millimetres.
#[derive(Debug, Clone, PartialEq)]
pub struct Beam {
    /// Focal length of the lens.
    pub lens_mm: f64,
    /// 1/e² radius of the beam at the lens.
    pub beam_radius_mm: f64,
    /// Beam quality factor M².
    pub quality: f64,
    /// Wavelength.
    pub wavelength_mm: f64,
    /// Longitudinal spherical aberration of the ray at the 1/e² radius, in Rayleigh ranges; either sign.
    pub aberration: f64,
    /// Share by which the cone is steeper above the focus than the mean of both sides (and flatter below), for whatever
    /// makes the sides unequal beyond spherical aberration, which alone reaches about 9 %; either sign.
    pub skew: f64,
}

impl Beam {
    /// 1/e² radius at the focus without aberration: `M²·λ·f/(π·w_in)` (Gaussian beam optics, common practice).
    pub fn waist_radius_mm(&self) -> f64 {
        self.quality * self.wavelength_mm * self.lens_mm / (std::f64::consts::PI * self.beam_radius_mm)
    }

    /// Defocus in Rayleigh ranges of a place `height_mm` above the paraxial focus, the skew included. Smooth, and 1:1 at
    /// the focus, so that the skew alone does not move the waist.
    pub(super) fn defocus(&self, height_mm: f64) -> f64 {
        let zeta = height_mm / self.paraxial_rayleigh_mm();
        zeta * (1.0 + self.skew * zeta / (1.0 + zeta * zeta).sqrt())
    }

    /// Height over which the aberration-free beam widens by √2: the waist radius over the half angle of the cone.
    pub fn paraxial_rayleigh_mm(&self) -> f64 {
        self.waist_radius_mm() * self.lens_mm / self.beam_radius_mm
    }
}

/// Rays by radius at the lens: radius and share of the power.
const RINGS: usize = 48;
/// The lens's edge, in units of the beam's 1/e² radius.
const CLIP: f64 = 2.0;
/// Bins of a profile, from the axis outwards.
const BINS: usize = 160;

/// Light across the sweep: density per waist radius at bins from the axis outwards.
#[derive(Debug, Clone)]
pub(super) struct Profile {
    /// Distance between bins, in waist radii.
    pub(super) step: f64,
    /// Values at `(index + ½)·step`; an unclipped steady sweep integrates to ½ over one side.
    pub(super) values: Vec<f64>,
}

/// The beam at one height, ready to be swept.
#[derive(Debug, Clone)]
pub(super) struct Section {
    /// Ring radius and power.
    rings: Vec<[f64; 2]>,
    /// 1/e² radius of the spot each ray carries.
    pub(super) spot: f64,
    /// Rough outer radius.
    pub(super) reach: f64,
}

impl Section {
    /// The beam at `zeta`; `spread` is the lateral heat spread's standard deviation in waist radii.
    pub(super) fn new(aberration: f64, zeta: f64, spread: f64) -> Self {
        let gap = CLIP / RINGS as f64;
        let radii = (0..RINGS).map(|ring| (ring as f64 + 0.5) * gap);
        let total: f64 = radii.clone().map(|t| t * (-2.0 * t * t).exp()).sum();
        let mut spacing = 0.0;
        let rings = radii
            .map(|t| {
                let power = t * (-2.0 * t * t).exp() / total;
                spacing += power * (gap * (zeta - 3.0 * aberration * t * t)).powi(2);
                [(t * (zeta - aberration * t * t)).abs(), power]
            })
            .collect();
        // The heat's kernel adds its variance (spread² = (2·spread)²/4 in 1/e² terms). The last term joins neighbouring rings
        // into one smooth beam; it widens the far beam by a quarter of a per cent.
        let spot = (1.0 + 4.0 * spread * spread + 1.7 * 1.7 * spacing).sqrt();
        let reach = (spot * spot + zeta * zeta + aberration * aberration).sqrt();
        Self { rings, spot, reach }
    }

    /// The light across a sweep, each ray weighted by `along(x)`, `x` being its place along the sweep.
    pub(super) fn profile(&self, along: impl Fn(f64) -> f64) -> Profile {
        let step = 2.6 * self.reach / BINS as f64;
        let tail = (2.0 * self.spot / step).ceil() as usize;
        let mut bins = vec![0.0; BINS + tail + 2];
        for &[radius, power] in &self.rings {
            let rays = (6.0 + radius / self.spot * std::f64::consts::PI / 0.4).ceil().min(400.0) as usize;
            let turn = std::f64::consts::PI / rays as f64;
            for ray in 0..rays {
                let (across, x) = ((ray as f64 + 0.5) * turn).sin_cos();
                let weight = along(radius * x);
                if weight <= 0.0 {
                    continue;
                }
                // Half of the light lies on each side: shared between the two nearest bins, folded at the axis.
                let place = radius * across / step - 0.5;
                let lower = place.floor();
                let share = place - lower;
                let light = 0.5 * power * weight / rays as f64;
                for (bin, part) in [(lower, light * (1.0 - share)), (lower + 1.0, light * share)] {
                    let index = if bin < 0.0 { 0 } else { bin as usize };
                    if index < bins.len() {
                        bins[index] += part;
                    }
                }
            }
        }
        let sigma = self.spot / 2.0 / step;
        let reach = (4.0 * sigma).ceil() as usize;
        let mut kernel: Vec<f64> = (0..=reach).map(|lag| (-0.5 * (lag as f64 / sigma).powi(2)).exp()).collect();
        let sum = 2.0 * kernel.iter().sum::<f64>() - kernel[0];
        kernel.iter_mut().for_each(|weight| *weight /= sum * step);
        let values = (0..BINS)
            .map(|bin| {
                let upper: f64 =
                    (bin..bins.len().min(bin + reach + 1)).map(|from| bins[from] * kernel[from - bin]).sum();
                let lower: f64 = (bin.saturating_sub(reach)..bin).map(|from| bins[from] * kernel[bin - from]).sum();
                // Bin `from` has its mirror image at `-1 - from`, so the distance to it is `bin + from + 1`.
                let folded: f64 = (0..(reach).saturating_sub(bin).min(bins.len()))
                    .map(|from| bins[from] * kernel[bin + from + 1])
                    .sum();
                upper + lower + folded
            })
            .collect();
        Profile { step, values }
    }
}

impl Profile {
    /// Highest value.
    pub(super) fn peak(&self) -> f64 {
        self.values.iter().copied().fold(0.0, f64::max)
    }

    /// Outermost place where the light passes `threshold`, in waist radii; zero where it never does.
    pub(super) fn half_width(&self, threshold: f64) -> f64 {
        let Some(last) = self.values.iter().rposition(|&value| value > threshold) else { return 0.0 };
        if last + 1 == self.values.len() {
            return (last as f64 + 0.5) * self.step;
        }
        let [inner, outer] = [self.values[last], self.values[last + 1]];
        let share = (inner - threshold) / (inner - outer);
        let place = (last as f64 + 0.5 + share) * self.step;
        if last == 0 {
            // Near the axis the profile is a parabola, on which the width goes with the root of the excess.
            let excess = (inner - threshold) / (inner - outer).max(1e-12);
            return (0.25 + 2.0 * excess).sqrt().min(1.5) * self.step;
        }
        place
    }
}

/// The steady sweep at every height: half-width and peak by threshold, interpolated smoothly.
#[derive(Debug, Clone)]
pub(super) struct Caustic {
    /// Density that just marks.
    pub(super) threshold: f64,
    first: f64,
    step: f64,
    half_widths: Vec<f64>,
    peaks: Vec<f64>,
}

impl Caustic {
    /// Nodes per unit of `asinh ζ`.
    const DENSITY: f64 = 34.0;

    /// Sweeps the beam over heights from `low` to `high` (in Rayleigh ranges).
    /// `overdrive` is the peak's ratio to the threshold at the height where that peak is highest.
    pub(super) fn new(aberration: f64, spread: f64, overdrive: f64, low: f64, high: f64) -> Self {
        use rayon::prelude::*;
        let [low, high] = [low.min(-2.5) - 0.5, high.max(2.5) + 0.5];
        let first = low.asinh();
        let count = ((high.asinh() - first) * Self::DENSITY).ceil() as usize + 1;
        let step = (high.asinh() - first) / (count - 1) as f64;
        let profiles: Vec<Profile> = (0..count)
            .into_par_iter()
            .map(|node| Section::new(aberration, (first + node as f64 * step).sinh(), spread).profile(|_| 1.0))
            .collect();
        let peaks: Vec<f64> = profiles.iter().map(Profile::peak).collect();
        let threshold = peaks.iter().copied().fold(0.0, f64::max) / overdrive;
        let half_widths = profiles.iter().map(|profile| profile.half_width(threshold)).collect();
        Self { threshold, first, step, half_widths, peaks: peaks.iter().map(|peak| peak / threshold).collect() }
    }

    /// Half-width in waist radii.
    pub(super) fn half_width(&self, zeta: f64) -> f64 {
        self.cubic(&self.half_widths, zeta).max(0.0)
    }

    /// Peak over threshold.
    pub(super) fn peak(&self, zeta: f64) -> f64 {
        self.cubic(&self.peaks, zeta)
    }

    /// Catmull–Rom interpolation between nodes, held constant beyond them.
    fn cubic(&self, values: &[f64], zeta: f64) -> f64 {
        let last = values.len() - 1;
        let place = ((zeta.asinh() - self.first) / self.step).clamp(0.0, last as f64 - 1e-9);
        let node = place.floor() as usize;
        let share = place - node as f64;
        let [a, b, c, d] = [node.saturating_sub(1), node, node + 1, (node + 2).min(last)].map(|index| values[index]);
        b + 0.5 * share * (c - a + share * (2.0 * a - 5.0 * b + 4.0 * c - d + share * (3.0 * (b - c) + d - a)))
    }

    /// Height at which the line is narrowest within `range`, in Rayleigh ranges, and the half-width there;
    /// `None` where the narrowest place is not inside it.
    ///
    /// A quintic is fitted through the neighbourhood, so that the bins' rounding does not move the place.
    pub(super) fn narrowest(&self, range: [f64; 2]) -> Option<[f64; 2]> {
        let count = 2000;
        let at = |index: usize| range[0] + (range[1] - range[0]) * index as f64 / f64::from(count as u32);
        let marked = |zeta: f64| self.peak(zeta) > 1.0;
        // A fading end narrows to nothing: only a place from which the line widens on both sides counts.
        let widths: Vec<f64> = (0..=count).map(|index| self.half_width(at(index))).collect();
        let inner = (1..count)
            .filter(|&index| marked(at(index)) && widths[index] > 0.0)
            .filter(|&index| widths[index] <= widths[index - 1] && widths[index] <= widths[index + 1])
            .min_by(|&a, &b| at(a).abs().total_cmp(&at(b).abs()))?;
        let reach = 0.35_f64.min(at(inner) - range[0]).min(range[1] - at(inner));
        if reach < 0.02 {
            return None;
        }
        let samples: Vec<[f64; 2]> = (-20..=20)
            .map(|offset| {
                let t = f64::from(offset) / 20.0;
                [t, self.half_width(at(inner) + reach * t)]
            })
            .collect();
        let fitted = polynomial::<6>(&samples);
        let value = |t: f64| fitted.iter().rev().fold(0.0, |sum, c| sum * t + c);
        let best =
            (-1000..=1000).map(|step| f64::from(step) / 1000.0).min_by(|a, b| value(*a).total_cmp(&value(*b)))?;
        Some([at(inner) + reach * best, value(best)])
    }
}

/// Least-squares polynomial coefficients, lowest power first, by elimination on the normal equations.
fn polynomial<const N: usize>(samples: &[[f64; 2]]) -> [f64; N] {
    let mut rows = [[0.0; N]; N];
    let mut right = [0.0; N];
    for &[t, value] in samples {
        for i in 0..N {
            right[i] += value * t.powi(i as i32);
            for (j, cell) in rows[i].iter_mut().enumerate() {
                *cell += t.powi((i + j) as i32);
            }
        }
    }
    for pivot in 0..N {
        for row in pivot + 1..N {
            let factor = rows[row][pivot] / rows[pivot][pivot];
            let above = rows[pivot];
            for (cell, upper) in rows[row].iter_mut().zip(above) {
                *cell -= factor * upper;
            }
            right[row] -= factor * right[pivot];
        }
    }
    let mut solution = [0.0; N];
    for row in (0..N).rev() {
        let known: f64 = (row + 1..N).map(|column| rows[row][column] * solution[column]).sum();
        solution[row] = (right[row] - known) / rows[row][row];
    }
    solution
}

impl Beam {
    /// Heights below and above its narrowest place over which the steady beam's full 1/e² width (no threshold, no heat)
    /// grows by √2: the two sides' Rayleigh ranges, in millimetres.
    pub(super) fn rayleigh_sides_mm(&self) -> [f64; 2] {
        let unit = self.paraxial_rayleigh_mm();
        let width = |height: f64| {
            let profile = Section::new(self.aberration, self.defocus(height * unit), 0.0).profile(|_| 1.0);
            profile.half_width(profile.peak() * (-2.0_f64).exp())
        };
        let search = 1.0 + self.aberration.abs();
        let heights: Vec<f64> = (0..=120).map(|index| search * (f64::from(index) / 60.0 - 1.0)).collect();
        let widths: Vec<f64> = heights.iter().map(|&height| width(height)).collect();
        let best = (0..widths.len()).min_by(|&a, &b| widths[a].total_cmp(&widths[b])).unwrap_or(60);
        let centre = heights[best];
        let samples: Vec<[f64; 2]> =
            (-8..=8).map(|offset| f64::from(offset) / 8.0).map(|t| [t, width(centre + 0.3 * t)]).collect();
        let fitted = polynomial::<4>(&samples);
        let value = |t: f64| fitted.iter().rev().fold(0.0, |sum, c| sum * t + c);
        let shift = (-100..=100)
            .map(|step| f64::from(step) / 100.0)
            .min_by(|a, b| value(*a).total_cmp(&value(*b)))
            .unwrap_or(0.0);
        let [waist, narrowest] = [centre + 0.3 * shift, value(shift)];
        [-1.0, 1.0].map(|side| {
            let (mut near, mut far) = (0.0, 4.0);
            for _ in 0..24 {
                let middle = 0.5 * (near + far);
                if width(waist + side * middle) < narrowest * 2.0_f64.sqrt() { near = middle } else { far = middle }
            }
            0.5 * (near + far) * unit
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_aberration_the_bundle_is_a_gaussian_beam() {
        for zeta in [0.0, 0.5, 1.0, 3.0, 12.0] {
            let profile = Section::new(0.0, zeta, 0.0).profile(|_| 1.0);
            let radius = (1.0 + zeta * zeta).sqrt();
            let total: f64 = profile.values.iter().sum::<f64>() * profile.step;
            assert!((total - 0.5).abs() < 2e-3, "{zeta}: half the light on one side, got {total}");
            let measured = profile.half_width(profile.peak() * (-2.0_f64).exp());
            assert!((measured / radius - 1.0).abs() < 0.006, "{zeta}: radius {measured}, Gaussian beam {radius}");
        }
    }

    #[test]
    fn ideal_beam_is_narrowest_at_its_focus() {
        for overdrive in [4.0, 10.0, 60.0] {
            let caustic = Caustic::new(0.0, 0.2, overdrive, -12.0, 12.0);
            let [place, half_width] = caustic.narrowest([-12.0, 12.0]).unwrap();
            assert!(place.abs() < 0.004, "overdrive {overdrive}: waist at {place}");
            assert!(half_width > 0.5);
        }
        let ideal = beam(0.0, 0.0);
        for side in ideal.rayleigh_sides_mm() {
            assert!((side / ideal.paraxial_rayleigh_mm() - 1.0).abs() < 0.01, "{side}");
        }
    }

    fn beam(aberration: f64, skew: f64) -> Beam {
        Beam { lens_mm: 50.8, beam_radius_mm: 3.5, quality: 1.3, wavelength_mm: 0.0106, aberration, skew }
    }

    #[test]
    fn aberration_makes_the_sides_unequal_and_its_sign_turns_them_round() {
        let [below, above] = beam(0.25, 0.0).rayleigh_sides_mm();
        let [turned_below, turned_above] = beam(-0.25, 0.0).rayleigh_sides_mm();
        assert!((below / above - 1.0).abs() > 0.03, "{below} {above}");
        assert!((below - turned_above).abs() < 0.02 && (above - turned_below).abs() < 0.02);
        let [below, above] = beam(0.25, 0.08).rayleigh_sides_mm();
        assert!(below / above > 1.14, "both together reach 15 %: {below} {above}");
    }

    #[test]
    fn weak_line_has_no_inner_minimum() {
        // At an overdrive of √e the line is widest at the focus (J. M. Liu's relation); below it, the more so.
        assert!(Caustic::new(0.0, 0.0, 1.5, -4.0, 4.0).narrowest([-4.0, 4.0]).is_none());
    }
}
