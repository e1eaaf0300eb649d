//! The propagation of uncertainty against worked examples of the guides that define it.

use narrows::estimate::{Estimate, propagate};

/// JCGM 100:2008, annex H.1: calibration of an end gauge of 50 mm, in nm, °C and 1/°C. Numbers seen in several
/// independent implementations, not in the document itself.
#[test]
fn end_gauge_of_jcgm_100_annex_h_1() {
    let standard = Estimate::new(50_000_623.0, 25.0);
    let comparison = Estimate::new(215.0, 9.7);
    let expansion = Estimate::new(11.5e-6, 1.2e-6);
    let off_temperature = Estimate::new(-0.1, 0.41);
    let expansion_difference = Estimate::new(0.0, 0.58e-6);
    let temperature_difference = Estimate::new(0.0, 0.029);
    let length = propagate(
        [standard, comparison, expansion_difference, off_temperature, expansion, temperature_difference],
        |[standard, comparison, expansion_difference, off_temperature, expansion, temperature_difference]| {
            standard + comparison
                - standard * (expansion_difference * off_temperature + expansion * temperature_difference)
        },
    );
    // Printed: 50.000838 mm and 32 nm.
    assert_eq!(length.value.round(), 50_000_838.0);
    assert_eq!(length.standard_uncertainty.round(), 32.0);
    // The same to more digits, recomputed from the parts 25, 9.7, 2.900036 and 16.675208 nm.
    assert!((length.standard_uncertainty - 31.710_610).abs() < 1e-5, "{length:?}");
}

/// JCGM 101:2008, 9.2, tables 2 and 3: the sum of four quantities with standard uncertainty 1 has 2.00, whatever their
/// distribution. Seen second-hand.
#[test]
fn sum_of_four_of_jcgm_101_clause_9_2() {
    let sum = propagate([Estimate::new(0.0, 1.0); 4], |[a, b, c, d]| a + b + c + d);
    assert!((sum.standard_uncertainty - 2.0).abs() < 1e-12);
    // 95 % of a normal quantity lie within 3.92; twice the standard uncertainty is this project's give-or-take.
    assert!((1.96 * sum.standard_uncertainty - 3.92).abs() < 1e-12);
    assert!((sum.expanded() - 4.0).abs() < 1e-12);
}
