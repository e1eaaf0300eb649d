//! Control charts and trends against published examples.

use narrows::drift::individuals::{D2, Individuals, moving_ranges};
use narrows::drift::trend::{mann_kendall, theil_sen};

use crate::assert_close;

/// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, "Individuals Control Charts": data, moving ranges, centre and
/// limits as printed; all points are in control.
#[test]
fn nist_handbook_6_3_2_2() {
    let values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
    let printed = [2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5];
    for (range, printed) in moving_ranges(&values).iter().zip(printed) {
        assert!((range - printed).abs() < 1e-9, "{range}, printed {printed}");
    }
    let chart = Individuals::of(&values).unwrap();
    let [lower, upper] = chart.limits();
    for (name, value, printed) in [
        ("centre", chart.centre, 50.81),
        ("mean moving range", chart.mean_moving_range, 1.8778),
        ("upper limit", upper, 55.8041),
        ("lower limit", lower, 45.8159),
    ] {
        assert!((value - printed).abs() < 1e-4, "{name}: {value}, printed {printed}");
    }
    // Computed independently from the printed mean and factor.
    assert!((chart.moving_range_limit - 6.1347).abs() < 1e-4);
    assert!(values.iter().all(|&value| !chart.is_out(value, 0.0)));
}

/// Montgomery and Runger, *Applied Statistics and Probability for Engineers*, ch. 16, concentration of twenty batches.
/// The data were seen; the limits were computed independently (the book rounds them).
#[test]
fn montgomery_concentration() {
    let values = [
        102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1, 101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3,
        101.4, 97.2, 101.0,
    ];
    let chart = Individuals::of(&values).unwrap();
    let [lower, upper] = chart.limits();
    assert_close("centre", chart.centre, 99.095, 1e-9);
    assert_close("mean moving range", chart.mean_moving_range, 2.589_474, 1e-6);
    assert_close("upper limit", upper, 105.981_898, 1e-7);
    assert_close("lower limit", lower, 92.208_102, 1e-7);
    assert_close("limit of the range", chart.moving_range_limit, 8.459_811, 1e-6);
}

/// The same book, an exercise of section 15-4 with its worked solution: mean 53.05, moving ranges adding up to 56 in 19.
#[test]
fn montgomery_summary() {
    let mean_moving_range = 56.0 / 19.0;
    let chart = Individuals {
        count: 20,
        centre: 53.05,
        mean_moving_range,
        sigma: mean_moving_range / D2,
        moving_range_limit: narrows::drift::individuals::D4 * mean_moving_range,
    };
    let [lower, upper] = chart.limits();
    for (value, printed) in [(upper, 60.888), (lower, 45.212), (chart.moving_range_limit, 9.628), (chart.sigma, 2.613)]
    {
        assert!((value - printed).abs() < 2e-3, "{value}, printed {printed}");
    }
}

/// Sen, JASA 63 (1968) 1379–1389, as in a public test suite that cites it: slope 4, 93 % interval 3.71 to 4.38.
#[test]
fn sen_1968() {
    let x = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0];
    let y = [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0];
    let line = theil_sen(&x, &y, 0.93).unwrap();
    assert_close("slope", line.slope, 4.0, 1e-12);
    // The intercept through the medians.
    assert_close("intercept", line.intercept(), 4.0, 1e-12);
    // Ranks 4.47 and 17.53 of 21: the paper takes the outer neighbours, here the ends lie between the neighbours.
    assert!((3.71..3.75).contains(&line.interval[0]), "{}", line.interval[0]);
    assert!((4.18..4.38).contains(&line.interval[1]), "{}", line.interval[1]);
}

/// US EPA, *Statistical Analysis of Groundwater Monitoring Data at RCRA Facilities, Unified Guidance* (2009), Example 17-6.
#[test]
fn epa_example_17_6() {
    let t = [
        89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6, 93.1, 93.6, 94.1, 94.6, 95.1, 95.6,
        95.8, 96.1, 96.3, 96.6, 96.8,
    ];
    let y = [
        480.0, 450.0, 490.0, 520.0, 485.0, 510.0, 510.0, 530.0, 510.0, 560.0, 560.0, 540.0, 590.0, 550.0, 600.0, 700.0,
        570.0, 610.0, 650.0, 620.0, 830.0, 720.0, 590.0,
    ];
    let test = mann_kendall(&y).unwrap();
    assert_eq!(test.s, 194);
    assert_close("variance with ties", test.variance, 1428.0, 1e-12);
    assert_close("z", test.z, 5.107_322, 1e-6);
    assert_close("p", test.p, 3.267_574e-7, 1e-4);
    let line = theil_sen(&t, &y, 0.95).unwrap();
    assert_close("slope", line.slope, 26.666_666_7, 1e-8);
    assert_close("intercept", line.intercept(), -1_909.333_333_3, 1e-8);
    assert_close("lower end", line.interval[0], 20.0, 1e-6);
    assert_close("upper end", line.interval[1], 35.711_82, 1e-6);
}

/// The same guidance, Example 17-7. The counted chance was computed independently.
#[test]
fn epa_example_17_7() {
    let t = [89.6, 90.1, 90.8, 91.1, 92.1, 93.1, 94.1, 95.6, 96.1, 96.3];
    let y = [56.0, 53.0, 51.0, 55.0, 52.0, 60.0, 62.0, 59.0, 61.0, 63.0];
    let test = mann_kendall(&y).unwrap();
    assert_eq!(test.s, 25);
    assert_close("variance", test.variance, 125.0, 1e-12);
    assert_close("z", test.z, 2.146_625, 1e-6);
    assert_close("p by the normal law", test.p_normal, 0.031_823_13, 1e-6);
    assert_close("p counted", test.p, 0.028_609_5, 1e-5);
    let line = theil_sen(&t, &y, 0.95).unwrap();
    assert_close("slope", line.slope, 1.333_333_3, 1e-7);
    assert_close("intercept", line.intercept(), -65.966_666_7, 1e-8);
    assert_close("lower end", line.interval[0], 0.399_208_3, 1e-6);
    assert_close("upper end", line.interval[1], 2.333_333_3, 1e-7);
}
