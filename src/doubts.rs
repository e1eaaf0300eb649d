//! The judgement behind the cautions that a picture raises: the only home of their thresholds.

use crate::cautions::{Caution, CautionCode};
use crate::fit::waist::WaistFit;
use crate::stations::LineQuality;

/// Kerf over blur (standard deviation) below which the picture's blur matters to the width.
const BLURRED: f64 = 3.0;
/// Difference of the two fits over what they claim.
const DISAGREEMENT: f64 = 2.5;
/// Half the log ratio of the two sides' lengths.
const ONE_SIDED: f64 = 0.07;
/// Distance of the waist from an end of the measured line, in lengths of the caustic on that side.
const NEAR_END: f64 = 1.5;
/// Wander of the centre over the narrowest kerf.
const SHAKY: f64 = 0.35;
/// Contrast of a weak line.
const WEAK: f64 = 0.35;

/// Cautions of line and fit.
pub fn of_the_fit(fit: &WaistFit, line: &LineQuality, kerf_px: f64) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let mut add = |code, message: String| cautions.push(Caution::new(code, message));
    if kerf_px < BLURRED * line.blur_px {
        add(
            CautionCode::Blurred,
            format!(
                "the picture's blur of {:.1} px is large beside the {kerf_px:.1} px of the line at its finest",
                line.blur_px
            ),
        );
    }
    if fit.disagreement > DISAGREEMENT {
        add(
            CautionCode::FitsDisagree,
            format!(
                "the fits differ by {:.1} times what they should; the give-or-take is widened by it",
                fit.disagreement
            ),
        );
    }
    if fit.asymmetry.abs() > ONE_SIDED {
        let side = if fit.asymmetry > 0.0 { "low" } else { "high" };
        add(
            CautionCode::OneSided,
            format!(
                "the line widens {:.0} % faster towards the {side} end than towards the other",
                100.0 * ((2.0 * fit.asymmetry.abs()).exp() - 1.0)
            ),
        );
    }
    for (index, end) in ["low", "high"].into_iter().enumerate() {
        let room = (fit.position.value - fit.range_mm[index]).abs();
        if room < NEAR_END * fit.lengths_mm[index] {
            add(
                CautionCode::NearEnd,
                format!("the finest place is only {room:.0} mm from the {end} end of the measured line"),
            );
        }
    }
    if line.straightness_px > SHAKY * kerf_px {
        let period = line.period_mm.map_or(String::new(), |p| format!(", with a period of {p:.1} mm"));
        add(
            CautionCode::LineShaky,
            format!(
                "the line wanders sideways by {:.1} px{period}: look at belt, pulleys, wheels and mirrors",
                line.straightness_px
            ),
        );
    }
    if line.contrast < WEAK {
        add(CautionCode::LineWeak, "the line is pale against the strip".to_owned());
    }
    cautions
}
