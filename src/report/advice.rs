//! What to do about each caution: one sentence that can be acted on at the bench.

use crate::cautions::CautionCode;

/// What to do about a caution. No wildcard: a new caution does not compile until someone has written its sentence.
pub const fn what_to_do(code: CautionCode) -> &'static str {
    match code {
        CautionCode::Perspective => {
            "take the picture again from straight above, or give the strip's length and width so that it can be \
             straightened"
        }
        CautionCode::Blurred => "take the picture again: hold the camera still, tap on the line to focus, or scan it",
        CautionCode::FitsDisagree => {
            "look at the chart: where the line widths do not follow a smooth valley, burn another strip"
        }
        CautionCode::OneSided => {
            "look at the line's two halves for soot or a slanting beam, and check that the beam meets the lens \
             in its middle"
        }
        CautionCode::NearEnd => {
            "burn another strip with the ramp raised or lowered so that the finest place comes to the middle"
        }
        CautionCode::ResolutionDisbelieved => "nothing, where the lengths you gave are right; else measure them again",
        CautionCode::EndsSwapped => "look for LOW on the strip and check which end of the picture it is at",
        CautionCode::StripBows => "fasten the strip flat to a stiff ramp and burn it again",
        CautionCode::RimContact => "measure the flat face of the nozzle's tip and give it as tip_diameter_mm",
        CautionCode::FocalLengthDiffers => {
            "check which lens is in the head, which way up it sits, and the lens-to-nozzle length"
        }
        CautionCode::SpacerSmall => {
            "check that the nozzle clears clamps and warped sheets before using a block this thin"
        }
        CautionCode::LineShaky => "check belts, wheels and the lens holder for play, then burn another strip",
        CautionCode::LineWeak => "burn another strip a little slower or with a little more power: brown, not black",
        CautionCode::RisesDiffer => "measure the heights and the gaps again: one of them is off",
        CautionCode::SomeLeftOut => "look at the pictures that were left out and do what each of them says",
        CautionCode::RedLight => {
            "nothing, or burn the next strip on lighter and plainer stuff: card, fine MDF, light ply"
        }
        CautionCode::StripsDisagree => {
            "check that nothing was moved between the strips: the lens, the bed, the ramp, the material"
        }
    }
}
