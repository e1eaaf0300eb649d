//! The focused spot to expect: diffraction, spherical aberration of the lens, Rayleigh range, depth of focus.

use serde::Serialize;

/// Refractive index of zinc selenide at 10.6 µm (handbook value 2.4028, from memory).
const ZNSE_INDEX: f64 = 2.4028;
/// Growth of the beam's width that ends its depth of focus.
pub const DEPTH_GROWTH: f64 = 0.05;

/// The lens's shape, which decides how much spherical aberration widens the spot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LensShape {
    /// Convex towards the beam, flat towards the work: the usual lens.
    PlanoConvex,
    /// Bent for the least aberration that two spheres allow.
    Meniscus,
    /// Without spherical aberration.
    Aspheric,
}

/// The beam and the lens it meets. Lengths in millimetres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Optics {
    /// Focal length.
    pub focal_length_mm: f64,
    /// Wavelength.
    pub wavelength_mm: f64,
    /// Full 1/e² width of the beam at the lens.
    pub beam_diameter_mm: f64,
    /// Beam quality factor M²: 1 is an ideal Gaussian beam.
    pub beam_quality: f64,
    /// Shape of the lens, which is of zinc selenide.
    pub lens_shape: LensShape,
}

/// The spot to expect. Full 1/e² widths, millimetres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Spot {
    /// Width by diffraction alone.
    pub diffraction_mm: f64,
    /// What spherical aberration adds.
    pub aberration_mm: f64,
    /// Both together.
    pub diameter_mm: f64,
    /// Height from the focus over which the width grows to √2 times.
    pub rayleigh_mm: f64,
    /// Heights from the focus, down and up, over which the width grows by 5 %: the beam's depth of focus is twice this.
    pub depth_half_mm: f64,
}

/// The spot of a beam.
///
/// - diffraction: `4·M²·λ·f/(π·D)` (*Process Fundamentals of Industrial Laser Welding and Cutting*, Table 4.2);
/// - aberration: `4·β·D³/f²`, the least full width near focus of the rays within the beam's 1/e² edge, with the third-order
///   `β = (n² − (2n+1)·K + (1+2/n)·K²)/(128·(n−1)²)` of a thin lens, `K` 1 for plano-convex and `n(2n+1)/(2(n+2))` for the
///   best form (W. J. Smith, *Modern Optical Engineering*, from memory; checked against traced rays in the tests). For zinc
///   selenide that is 0.0286 and 0.0187 `·D³/f²`, as lens makers print (common practice, from memory);
/// - both are added, as lens makers do (common practice, no source);
/// - Rayleigh range: width over the cone's full angle, `d·f/D`, which is `π·d²/(4·M²·λ)` without aberration;
/// - depth of focus: `±zR·√((1+g)²−1)` for a growth `g` (from the Gaussian beam: Saleh & Teich, ch. 3).
pub fn spot(optics: &Optics) -> Spot {
    let Optics { focal_length_mm: f, wavelength_mm, beam_diameter_mm: d, beam_quality, .. } = *optics;
    let diffraction_mm = 4.0 * beam_quality * wavelength_mm * f / (std::f64::consts::PI * d);
    let aberration_mm = 4.0 * blur_coefficient(optics.lens_shape) * d.powi(3) / (f * f);
    let diameter_mm = diffraction_mm + aberration_mm;
    let rayleigh_mm = diameter_mm * f / d;
    let depth_half_mm = rayleigh_mm * ((1.0 + DEPTH_GROWTH).powi(2) - 1.0).sqrt();
    Spot { diffraction_mm, aberration_mm, diameter_mm, rayleigh_mm, depth_half_mm }
}

/// Third-order angular blur of a thin zinc selenide lens for a distant source, times the cube of the f-number.
fn blur_coefficient(shape: LensShape) -> f64 {
    let n = ZNSE_INDEX;
    let bending = match shape {
        LensShape::PlanoConvex => 1.0,
        LensShape::Meniscus => n * (2.0 * n + 1.0) / (2.0 * (n + 2.0)),
        LensShape::Aspheric => return 0.0,
    };
    (n * n - (2.0 * n + 1.0) * bending + (1.0 + 2.0 / n) * bending * bending) / (128.0 * (n - 1.0).powi(2))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn optics(focal_length_mm: f64, beam_diameter_mm: f64, beam_quality: f64, lens_shape: LensShape) -> Optics {
        Optics { focal_length_mm, wavelength_mm: 0.0106, beam_diameter_mm, beam_quality, lens_shape }
    }

    /// Table computed from the spot relation of *Process Fundamentals of Industrial Laser Welding and Cutting*, Table 4.2,
    /// at 10.6 µm: D, f, M², d0, zR, half the depth for 5 %.
    #[test]
    fn diffraction_alone_is_the_table_of_gaussian_beams() {
        for [d, f, quality, d0, rayleigh, depth] in [
            [6.0, 50.8, 1.0, 0.11427, 0.96748, 0.30974],
            [6.0, 50.8, 1.2, 0.13712, 1.16097, 0.37169],
            [8.0, 50.8, 1.2, 0.10284, 0.65305, 0.20908],
            [6.0, 63.5, 1.2, 0.17140, 1.81402, 0.58077],
            [7.0, 101.6, 1.3, 0.25466, 3.69616, 1.18335],
        ] {
            let spot = spot(&optics(f, d, quality, LensShape::Aspheric));
            assert!((spot.diameter_mm - d0).abs() < 6e-6, "{spot:?}");
            assert!((spot.rayleigh_mm - rayleigh).abs() < 6e-6, "{spot:?}");
            assert!((spot.depth_half_mm - depth).abs() < 6e-6, "{spot:?}");
        }
    }

    /// A Nd:YAG worked example of the web: 1064 nm, f = 100 mm, D = 10 mm, M² = 1 gives 13.5 µm and 135 µm.
    #[test]
    fn a_worked_example_at_another_wavelength() {
        let spot = spot(&Optics {
            focal_length_mm: 100.0,
            wavelength_mm: 1.064e-3,
            beam_diameter_mm: 10.0,
            beam_quality: 1.0,
            lens_shape: LensShape::Aspheric,
        });
        assert!((spot.diameter_mm - 13.547e-3).abs() < 1e-6 && (spot.rayleigh_mm - 0.135473).abs() < 1e-6);
    }

    /// The constants that makers of zinc selenide lenses print (from memory).
    #[test]
    fn aberration_has_the_makers_constants() {
        for (shape, constant) in [(LensShape::PlanoConvex, 0.0286), (LensShape::Meniscus, 0.0187)] {
            assert!((4.0 * blur_coefficient(shape) - constant).abs() < 1e-4, "{shape:?}");
        }
    }

    /// Rays through the two faces by Snell's law, `c1` and `c2` the faces' curvatures: full width, in the paraxial focus, of the
    /// ray that enters at `height`.
    fn traced_blur(c1: f64, c2: f64, thickness: f64, height: f64) -> f64 {
        let n = ZNSE_INDEX;
        // A ray [x, y, slope angle] meets a sphere of curvature `c` whose pole lies at `pole`.
        let refract = |[x, y, angle]: [f64; 3], c: f64, pole: f64, from: f64, to: f64| {
            let (mut at_x, mut at_y) = (pole, y);
            for _ in 0..60 {
                at_y = y + (at_x - x) * angle.tan();
                at_x = pole + if c == 0.0 { 0.0 } else { (1.0 - (1.0 - (c * at_y).powi(2)).sqrt()) / c };
            }
            // The normal leans by -asin(c·y) against the axis.
            let lean = -(c * at_y).asin();
            let inside = (from / to * (angle - lean).sin()).asin();
            [at_x, at_y, lean + inside]
        };
        let through = |height: f64| {
            let first = refract([-10.0, height, 0.0], c1, 0.0, 1.0, n);
            refract(first, c2, thickness, n, 1.0)
        };
        let crossing = |[x, y, angle]: [f64; 3]| x - y / angle.tan();
        let focus = crossing(through(1e-3));
        let [x, y, angle] = through(height);
        2.0 * (y + (focus - x) * angle.tan()).abs()
    }

    #[test]
    fn third_order_aberration_agrees_with_traced_rays() {
        let [f, d, n] = [100.0, 12.0, ZNSE_INDEX];
        let flat = 1.0 / (f * (n - 1.0));
        let best = n * (2.0 * n + 1.0) / (2.0 * (n + 2.0));
        for (shape, bending) in [(LensShape::PlanoConvex, 1.0), (LensShape::Meniscus, best)] {
            // 1/f = (n−1)(c1−c2), K = c1/(c1−c2).
            let [c1, c2] = [bending * flat, (bending - 1.0) * flat];
            // At best focus the third-order blur is a quarter of that in the paraxial focus (W. J. Smith, from memory).
            let traced = traced_blur(c1, c2, 0.01, d / 2.0) / 4.0;
            let formula = spot(&optics(f, d, 1.2, shape)).aberration_mm;
            assert!((traced / formula - 1.0).abs() < 0.03, "{shape:?}: traced {traced}, formula {formula}");
        }
    }

    #[test]
    fn a_wide_beam_on_a_short_lens_is_spread_by_the_lens() {
        let narrow = spot(&optics(50.8, 7.0, 1.3, LensShape::PlanoConvex));
        let wide = spot(&optics(38.1, 16.0, 1.3, LensShape::PlanoConvex));
        assert!(narrow.aberration_mm < 0.05 * narrow.diffraction_mm);
        assert!(wide.aberration_mm > wide.diffraction_mm);
    }
}
