//! Why there is no plan.

/// What cannot be planned: the field, what was given, and the limit that it passed. Lengths in millimetres.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// A field outside its limits.
    #[error("{field} is {given} {unit}, and must be {least} to {most} {unit}")]
    OutOfRange {
        /// The field.
        field: &'static str,
        /// Its value.
        given: f64,
        /// The smallest that makes sense.
        least: f64,
        /// The largest.
        most: f64,
        /// The unit of these numbers, or nothing.
        unit: &'static str,
    },
    /// The nozzle would touch before the line passes the focus.
    #[error(
        "spacer_in_use_mm is {spacer_mm:.1} mm: with the nozzle just clear of the high end the line passes the focus by \
         {beyond_mm:.1} mm, and {needed_mm:.1} mm, one Rayleigh range, is the least that is useful"
    )]
    NoRoomBeyondFocus {
        /// Today's block.
        spacer_mm: f64,
        /// Height that the line reaches above the focus; negative where it stays below.
        beyond_mm: f64,
        /// One Rayleigh range.
        needed_mm: f64,
    },
    /// The strip is too short for the search range.
    #[error(
        "strip_length_mm is {given_mm:.0} mm: the line would have to rise {rise_mm:.1} mm, and a slope of at most \
         {most_slope} does that on {needed_mm:.0} mm of strip or more"
    )]
    StripTooShort {
        /// As given.
        given_mm: f64,
        /// Rise that the search range asks for.
        rise_mm: f64,
        /// Steepest slope, rise over travel.
        most_slope: f64,
        /// Shortest strip that would do.
        needed_mm: f64,
    },
    /// The prop is as thick as the strip can be tipped, or thinner than needed.
    #[error("prop_mm is {given_mm:.1} mm, and must be {least_mm:.1} to {most_mm:.1} mm to stand under this strip")]
    PropDoesNotFit {
        /// As given.
        given_mm: f64,
        /// The thinnest.
        least_mm: f64,
        /// The thickest.
        most_mm: f64,
    },
    /// A ramp whose angle does not suit the strip.
    #[error(
        "ramp_file gives {incline_deg:.2}°, on which the line rises {rise_mm:.1} mm, and {needed_mm:.1} mm is the least \
         that covers the search range"
    )]
    RampTooFlat {
        /// Its angle.
        incline_deg: f64,
        /// Rise over the longest line the strip has room for.
        rise_mm: f64,
        /// Rise needed.
        needed_mm: f64,
    },
    /// The line would have to be burned too strongly to last to its ends.
    #[error(
        "search_mm is {search_mm:.1} mm: to last to its ends the line would have to be {overdrive:.0} times as strong as \
         what just marks, and {most:.0} times is the most"
    )]
    LineWouldFade {
        /// The search range.
        search_mm: f64,
        /// Overdrive at the focus.
        overdrive: f64,
        /// The most.
        most: f64,
    },
    /// A letter that cannot be drawn as a stroke.
    #[error("{field} has the letter \"{letter}\", which cannot be drawn as strokes")]
    CannotWrite {
        /// The field.
        field: &'static str,
        /// The letter.
        letter: char,
    },
}

impl PlanError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        match self {
            Self::OutOfRange { field: "wavelength_mm", .. } => {
                "give the wavelength with its unit: --wavelength \"10.6 um\"".to_owned()
            }
            Self::OutOfRange { field, .. } => format!("check {field} and the unit it was given in"),
            Self::NoRoomBeyondFocus { .. } => {
                "take off what hangs below the nozzle's tip or use a narrower nozzle for the \
                 test, or give spacer_in_use_mm as it would be if the nozzle were put higher"
                    .to_owned()
            }
            Self::StripTooShort { .. } => "take a longer strip, or look over a smaller search_mm".to_owned(),
            Self::PropDoesNotFit { .. } => "take another block as the prop, or leave prop_mm out".to_owned(),
            Self::RampTooFlat { .. } => "take a longer strip on that ramp, or look over a smaller search_mm".to_owned(),
            Self::LineWouldFade { .. } => "look over a smaller search_mm first, and again round the answer".to_owned(),
            Self::CannotWrite { field, .. } => format!("write {field} in plain letters and digits"),
        }
    }
}
