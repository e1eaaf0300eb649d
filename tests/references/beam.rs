//! Gaussian beams, marks at a threshold, and ISO 11146-1's relations between a fitted caustic and its waist.

use narrows::fit::curve::Caustic;
use narrows::fit::data::Data;
use narrows::fit::noise::Scatter;
use narrows::fit::parabola::{self, ParabolaFit};

use crate::assert_close;

/// An overdrive so large that the mark is as wide as the beam, but for a constant.
const ENDLESS: f64 = 1e8;

const fn caustic(position: f64, ln_width: f64, ln_overdrive: f64, ln_length: f64) -> Caustic {
    Caustic { position, ln_width, ln_overdrive, ln_length, asymmetry: 0.0 }
}

/// Closed form of a Gaussian beam: its width grows by g at ±zR·√((1+g)² − 1). Values computed from it.
#[test]
fn depth_of_a_gaussian_beam() {
    let [length, ln_overdrive]: [f64; 2] = [2.5, 12.0];
    let line = caustic(40.0, -1.0, ln_overdrive, length.ln());
    for (growth, share) in [(0.05_f64, 0.320_156_2), (0.10, 0.458_257_6), (2.0_f64.sqrt() - 1.0, 1.0)] {
        // The kerf grows less than the beam, whose peak falls as it widens.
        let kerf = (1.0 + growth) * (1.0 - growth.ln_1p() / ln_overdrive).sqrt() - 1.0;
        for side in [-1.0, 1.0] {
            let place = line.position_at_growth(side, kerf).expect("it grows that far");
            assert_close(&format!("{growth}"), side * (place - 40.0) / length, share, 1e-6);
        }
    }
}

/// Saleh and Teich, Fundamentals of Photonics, second edition (2007), chapter 3, the problem on a beam identified by two
/// widths (statement seen, solution computed here): a CO₂ beam is 1.699 mm and 3.381 mm wide at places 100 mm apart.
#[test]
fn beam_identified_by_two_widths() {
    for (waist, range, places) in [
        (0.199_900_019, 11.843_216_808_f64, [99.959_296_817, 199.959_296_817]),
        (0.066_444_533, 1.308_466_208, [-33.432_147_231, 66.567_852_769]),
    ] {
        let beam = caustic(0.0, 0.0, ENDLESS, range.ln());
        for (place, width) in places.into_iter().zip([1.699, 3.381]) {
            let growth = (beam.ln_kerf(place) - beam.ln_kerf(0.0)).exp();
            assert_close(&format!("{place}"), waist * growth, width, 1e-6);
        }
    }
}

/// J. M. Liu, Optics Letters 7(5), 196 (1982) (from memory; relation seen in a later paper): the squared diameter of a mark
/// is 2·w0²·ln(F/F_th). Table computed here for w0 = 40 and F_th = 0.35.
#[test]
fn squared_diameters_against_fluence() {
    let table =
        [(0.4, 427.30), (0.5, 1141.36), (0.7, 2218.07), (1.0, 3359.43), (1.5, 4656.92), (2.5, 6291.56), (4.0, 7795.57)];
    for (fluence, squared) in table {
        let mark = caustic(0.0, 40.0_f64.ln(), (fluence / 0.35_f64).ln(), 0.0);
        assert_close(&format!("fluence {fluence}"), mark.narrowest().powi(2), squared, 1.5e-5);
    }
}

/// A burned line of local beam width w is W = w·√(2·ln(K/w)) wide. Table for K = 0.9, computed here.
#[test]
fn kerf_at_a_threshold() {
    let finest = 0.1_f64;
    let line = caustic(0.0, finest.ln(), (0.9 / finest).ln(), 0.0);
    let place = |w: f64| ((w / finest).powi(2) - 1.0).max(0.0).sqrt();
    let table = [
        (0.1, 0.209_629),
        (0.2, 0.346_881),
        (0.3, 0.444_691),
        (0.4, 0.509_409),
        (0.5, 0.542_119),
        (0.545_878, 0.545_878),
        (0.6, 0.540_310),
        (0.7, 0.496_274),
        (0.8, 0.388_281),
    ];
    for (w, kerf) in table {
        for side in [-1.0, 1.0] {
            let value = line.ln_kerf(side * place(w)).exp();
            assert!((value - kerf).abs() < 1e-6, "w {w}: {value}, expected {kerf}");
        }
    }
    // At w = K the line has vanished; beyond, there is none.
    assert!(line.ln_kerf(place(0.9)).exp() < 0.02);
    assert!(line.ln_kerf(place(1.0)).exp() < 1e-3);
    // It never grows beyond its widest, at w = K/√e.
    let widest_kerf = 0.9 * (-0.5_f64).exp();
    assert!((widest_kerf - 0.545_878).abs() < 1e-6);
    let most = widest_kerf / (finest * (2.0 * 9.0_f64.ln()).sqrt()) - 1.0;
    let widest = line.position_at_growth(1.0, most * 0.999_999).expect("just below the widest");
    assert!((widest / place(widest_kerf) - 1.0).abs() < 0.01, "{widest}");
    assert_eq!(line.position_at_growth(1.0, most * 1.000_001), None);
}

/// Fits a + b·z + c·z² to values whose standard deviations are `weight_sd` times `unit`.
fn quadratic(values: &[f64], weight_sd: impl Fn(f64) -> f64, unit: f64) -> ParabolaFit {
    let data = Data {
        position: (0..values.len()).map(|z| z as f64).collect(),
        ln_kerf: values.iter().map(|value| value.ln()).collect(),
        own: vec![1.0; values.len()],
        contrast: vec![1.0; values.len()],
    };
    let scatter = Scatter { grain: 0.0, length_mm: 1.0, own_factor: unit };
    parabola::fit(&data, |z| weight_sd(z).ln(), &scatter).expect("it bends upwards")
}

fn squared(diameters: &[f64]) -> Vec<f64> {
    diameters.iter().map(|d| d * d).collect()
}

/// a, b, c about z = 0.
fn about_zero(fit: &ParabolaFit) -> [f64; 3] {
    let [c0, c1, c2] = fit.coefficients;
    [c0 - c1 * fit.origin + c2 * fit.origin.powi(2), c1 - 2.0 * c2 * fit.origin, c2]
}

/// Waist diameter, Rayleigh length and beam quality of d² = a + b·z + c·z² (ISO 11146-1, clause 9; formulas seen
/// second-hand in code that cites it).
fn waist([a, b, c]: [f64; 3], wavelength: f64) -> [f64; 3] {
    let root = (4.0 * a * c - b * b).sqrt();
    [root / (2.0 * c.sqrt()), root / (2.0 * c), std::f64::consts::PI / (8.0 * wavelength) * root]
}

const WAVELENGTH_MM: f64 = 0.0106;
const NOISY: [f64; 15] =
    [0.649, 0.561, 0.483, 0.400, 0.333, 0.266, 0.217, 0.203, 0.215, 0.268, 0.332, 0.402, 0.486, 0.562, 0.643];

/// Constructed caustic: waist of 0.2 mm at 7 mm, M² = 1.3 at 10.6 µm (computed here).
#[test]
fn exact_caustic_gives_back_its_waist() {
    let half = [0.645_832, 0.563_074, 0.482_076, 0.403_899, 0.330_550, 0.266_052, 0.218_394, 0.2];
    let diameters: Vec<f64> = half.iter().chain(half[..7].iter().rev()).copied().collect();
    let fit = quadratic(&squared(&diameters), |_| 1.0, 1.0);
    assert!((fit.position - 7.0).abs() < 1e-9, "{}", fit.position);
    let [a, b, c] = about_zero(&fit);
    for (name, value, expected) in [("a", a, 0.417_098_462_0), ("b", b, -0.107_742_417_7), ("c", c, 0.007_695_887_0)] {
        assert_close(name, value, expected, 1e-5);
    }
    let [diameter, range, quality] = waist([a, b, c], WAVELENGTH_MM);
    assert_close("d0", diameter, 0.2, 1e-5);
    assert_close("zR", range, 2.279_820_503_3, 1e-5);
    assert_close("M²", quality, 1.3, 1e-5);
}

/// The same with errors of a few micrometres; fit and its uncertainty computed here by other means.
#[test]
fn noisy_caustic_and_the_uncertainty_of_its_waist() {
    let fit = quadratic(&squared(&NOISY), |_| 1.0, 2.418_211e-3);
    let coefficients = about_zero(&fit);
    for (value, expected) in coefficients.into_iter().zip([0.417_529_79, -0.107_734_11, 0.007_688_33]) {
        assert_close("coefficient", value, expected, 1e-6);
    }
    assert_close("z0", fit.position, 7.006_340_314, 1e-9);
    assert_close("u(z0)", fit.u_position, 0.009_398_436, 1e-6);
    let [diameter, range, quality] = waist(coefficients, WAVELENGTH_MM);
    assert_close("d0", diameter, 0.200_296_948, 1e-7);
    assert_close("zR", range, 2.284_327_293, 1e-7);
    assert_close("M²", quality, 1.301_290_776, 1e-7);
}

/// Weights 1/(4·d²), as for equal errors of the diameters, and the plain parabola through the diameters themselves.
#[test]
fn other_fits_of_the_noisy_caustic() {
    let weighted = quadratic(&squared(&NOISY), |z| 2.0 * NOISY[z.round() as usize], 1.0);
    assert_close("z0", weighted.position, 7.000_745_862, 1e-9);
    assert_close("d0", waist(about_zero(&weighted), WAVELENGTH_MM)[0], 0.200_172_339, 1e-7);
    let plain = quadratic(&NOISY, |_| 1.0, 1.0);
    assert_close("vertex", plain.position, 7.002_789_448, 1e-9);
}
