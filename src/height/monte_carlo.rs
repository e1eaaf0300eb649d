//! Every way of saying a setup, sampled: each measured field is disturbed by its standard uncertainty, the setup is
//! read and converted again, and the spread of the answers is compared with the stated uncertainty
//! (JCGM 101:2008, propagation of distributions).

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::convert;
use crate::estimate::Estimate;
use crate::setup::{Field, RawSetup, Setup};

const TRIALS: usize = 8_000;
/// Standard error of a sampled standard deviation, 1/√(2n), is 0.8 %; this is nearly four of them.
const AGREE_WITHIN: f64 = 0.03;
const FLATNESS_U_MM: f64 = 0.15;
const POSITION_U_MM: f64 = 0.4;

/// A way of saying the setup: the file, and the fields measured with their value and standard uncertainty.
struct Case {
    name: &'static str,
    file: String,
    measured: &'static [(Field, f64, f64)],
    /// Part of an unmeasured bow that reaches spacer and height at `t`.
    bow_share: fn(f64) -> [f64; 2],
}

fn file(datum: &str, more: &str) -> String {
    format!(
        "[ramp]\nheight_u_mm = 0.12\nflatness_u_mm = {FLATNESS_U_MM}\n{more}\n[head]\ngap_u_mm = 0.08\n\
         [picture]\nlow_end = \"left\"\ndatum = \"{datum}\"\n"
    )
}

const ENDS: &str = "travel_mm = 150";
const STRIP: &str = "incline_u_deg = 0.2";

/// Bow at the fraction `t` over the bow at the middle.
fn bow(t: f64) -> f64 {
    4.0 * t * (1.0 - t)
}

#[allow(clippy::too_many_lines)] // a table
fn cases() -> Vec<Case> {
    use Field::*;
    let case = |name, file, measured, bow_share| Case { name, file, measured, bow_share };
    let ends = || file("ends", ENDS);
    vec![
        case(
            "heights and nozzle",
            ends(),
            &[(LowHeight, 3.0, 0.12), (HighHeight, 18.0, 0.12), (NozzleHeight, 20.0, 0.12)],
            |t| [bow(t), bow(t)],
        ),
        case(
            "heights, middle and nozzle",
            ends(),
            &[(LowHeight, 3.0, 0.12), (MiddleHeight, 10.9, 0.12), (HighHeight, 18.0, 0.12), (NozzleHeight, 20.0, 0.12)],
            |_| [0.0, 0.0],
        ),
        case("two gaps", ends(), &[(GapLow, 17.0, 0.08), (GapHigh, 2.0, 0.08)], |t| [bow(t), 0.0]),
        case(
            "two gaps and the middle",
            ends(),
            &[(GapLow, 17.0, 0.08), (MiddleGap, 9.9, 0.08), (GapHigh, 2.0, 0.08)],
            |_| [0.0, 0.0],
        ),
        case("low gap and rise", ends(), &[(GapLow, 17.0, 0.08), (Rise, 15.0, 0.12)], |t| [bow(t), 0.0]),
        case(
            "high gap and angle",
            file("ends", "travel_mm = 150\nincline_u_deg = 0.2"),
            &[(GapHigh, 2.0, 0.08), (Incline, 5.71, 0.2)],
            |t| [bow(t), 0.0],
        ),
        case("low gap and prop", ends(), &[(GapLow, 17.0, 0.08), (Prop, 20.0, 0.12), (PropAt, 200.0, 0.3)], |t| {
            [bow(t), 0.0]
        }),
        case(
            "low gap, heights and middle",
            ends(),
            &[(GapLow, 17.0, 0.08), (LowHeight, 3.0, 0.12), (MiddleHeight, 10.9, 0.12), (HighHeight, 18.0, 0.12)],
            |_| [0.0, 0.0],
        ),
        case(
            "gaps beside heights",
            ends(),
            &[(GapLow, 17.0, 0.08), (GapHigh, 2.0, 0.08), (LowHeight, 3.0, 0.12), (HighHeight, 18.0, 0.12)],
            |t| [bow(t), bow(t)],
        ),
        case(
            "block and rise",
            ends(),
            &[(Block, 7.0, 0.08), (BlockAt, 60.0, 0.3), (TipDiameter, 8.0, 0.3), (Rise, 15.0, 0.12)],
            |t| [bow(t) - bow(0.4), 0.0],
        ),
        case(
            "block, heights and middle",
            ends(),
            &[
                (Block, 7.0, 0.08),
                (BlockAt, 60.0, 0.3),
                (TipDiameter, 8.0, 0.3),
                (LowHeight, 3.0, 0.12),
                (MiddleHeight, 10.9, 0.12),
                (HighHeight, 18.0, 0.12),
            ],
            |_| [0.0, 0.0],
        ),
        case(
            "block and angle on a steep short ramp",
            file("ends", "travel_mm = 60\nincline_u_deg = 0.3"),
            &[(Block, 7.0, 0.08), (BlockAt, 24.0, 0.3), (TipDiameter, 8.0, 0.3), (Incline, 20.0, 0.3)],
            |t| [bow(t) - bow(0.4), 0.0],
        ),
        case(
            "two gaps by block and nothing else",
            file("ends", "travel_mm = 60"),
            &[(GapLow, 22.0, 0.08), (GapHigh, 2.0, 0.08), (TipDiameter, 8.0, 0.3)],
            |t| [bow(t), 0.0],
        ),
        case(
            "two gaps by block beside an angle",
            file("ends", "travel_mm = 60\nincline_u_deg = 0.3"),
            &[(GapLow, 22.0, 0.08), (GapHigh, 2.0, 0.08), (TipDiameter, 8.0, 0.3), (Incline, 18.5, 0.3)],
            |t| [bow(t), 0.0],
        ),
        case(
            "three gaps by block",
            ends(),
            &[(GapLow, 17.0, 0.08), (MiddleGap, 9.8, 0.08), (GapHigh, 2.0, 0.08), (TipDiameter, 8.0, 0.3)],
            |_| [0.0, 0.0],
        ),
        case(
            "high gap by block and rise",
            ends(),
            &[(GapHigh, 2.0, 0.08), (TipDiameter, 8.0, 0.3), (Rise, 15.0, 0.12)],
            |t| [bow(t), 0.0],
        ),
        case(
            "strip: two gaps by block",
            file("strip", ""),
            &[(StripLength, 60.0, 0.0), (GapLow, 22.0, 0.08), (GapHigh, 2.0, 0.08), (TipDiameter, 8.0, 0.3)],
            |t| [bow(t), 0.0],
        ),
        case(
            "strip: low gap and angle",
            file("strip", STRIP),
            &[(StripLength, 190.0, 0.3), (GapLow, 25.0, 0.08), (Incline, 5.71, 0.2)],
            |t| [bow(t), 0.0],
        ),
        case(
            "strip: low gap and prop",
            file("strip", ""),
            &[(StripLength, 190.0, 0.3), (GapLow, 25.0, 0.08), (Prop, 20.0, 0.12), (PropAt, 200.0, 0.3)],
            |t| [bow(t), 0.0],
        ),
    ]
}

fn setup_of(case: &Case, disturb: &mut impl FnMut() -> f64) -> Setup {
    let mut raw = RawSetup::from_toml(&case.file, None).unwrap();
    if case.name.contains("by block") {
        raw.set_flag(Field::GapsByBlock, "true").unwrap();
    }
    for (field, value, u) in case.measured {
        raw.set_flag(*field, &(value + u * disturb()).to_string()).unwrap();
    }
    raw.check().unwrap_or_else(|error| panic!("{}: {error}", case.name))
}

fn spread(samples: &[f64]) -> f64 {
    let mean = samples.iter().sum::<f64>() / samples.len() as f64;
    (samples.iter().map(|sample| (sample - mean).powi(2)).sum::<f64>() / (samples.len() - 1) as f64).sqrt()
}

#[test]
fn stated_uncertainties_are_the_sampled_ones() {
    let mut rng = ChaCha8Rng::seed_from_u64(20_260_101);
    for case in cases() {
        for t in [0.25, 0.62] {
            let nominal = setup_of(&case, &mut || 0.0);
            let convert_at = |setup: &Setup, off: f64| {
                let position = Estimate::new(t * setup.ramp.span_mm + off, POSITION_U_MM);
                convert(position, None, None, 0.05, setup).0
            };
            let stated = convert_at(&nominal, 0.0);
            let [spacer_bow, height_bow] = (case.bow_share)(t);
            let (mut spacers, mut heights) = (Vec::new(), Vec::new());
            for _ in 0..TRIALS {
                let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
                let setup = setup_of(&case, &mut normal);
                let focus = convert_at(&setup, POSITION_U_MM * normal());
                let bow = FLATNESS_U_MM * normal();
                spacers.extend(focus.spacer_mm.map(|spacer| spacer.value + spacer_bow * bow));
                heights.extend(focus.height_mm.map(|height| height.value + height_bow * bow));
            }
            for (what, stated, samples) in
                [("spacer", stated.spacer_mm, &spacers), ("height", stated.height_mm, &heights)]
            {
                let Some(stated) = stated else { continue };
                assert_eq!(samples.len(), TRIALS);
                let ratio = stated.standard_uncertainty / spread(samples);
                assert!(
                    (ratio - 1.0).abs() < AGREE_WITHIN,
                    "{} at t = {t}: {what} stated {:.4}, sampled {:.4}",
                    case.name,
                    stated.standard_uncertainty,
                    spread(samples)
                );
            }
            assert!(!spacers.is_empty(), "{}", case.name);
        }
    }
}
