//! The block that is wanted, how far from it the line still is fine, and where to take both from.

use serde::Deserialize;

use super::error::SpacerError;
use super::stock::LONGEST_MM;
use crate::estimate::Estimate;
use crate::reading::DepthOfFocus;

/// The layout that readings have.
const SCHEMA: &str = "narrows.reading/1";

/// The block that puts the work in focus, with what is known about being off. Lengths in millimetres.
///
/// Always holds: `spacer.value` is above zero and at most a metre, uncertainties are finite and not negative.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wanted {
    /// Its thickness; the standard uncertainty is 0 where none is known.
    pub spacer: Estimate,
    /// How far off the line stays fine, where that is known.
    pub slack: Option<DepthOfFocus>,
    /// The narrowest line width, where that is known.
    pub kerf: Option<Estimate>,
}

/// Where a gap lies in the height slack.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Slack {
    /// Inside, also by its whole give or take.
    Inside,
    /// Inside, but by less than its give or take.
    Barely,
    /// Outside.
    Outside,
}

/// What being off means for the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Miss {
    /// Gap minus the wanted one, in mm: positive is thicker, with the work further down.
    pub off: Estimate,
    /// `None` where the height slack is not known.
    pub slack: Option<Slack>,
    /// Line width there over the narrowest, minus one; `None` where the height slack is not known.
    pub wider: Option<f64>,
}

impl Wanted {
    /// A block that somebody says is right.
    ///
    /// # Errors
    /// A thickness that is not above zero and at most a metre, or an uncertainty below zero.
    pub fn typed(spacer: Estimate) -> Result<Self, SpacerError> {
        Self { spacer, slack: None, kerf: None }.checked("--spacer-mm")
    }

    /// The block of a reading: the JSON that `narrows read --json` prints. Of several lines the last counts where it
    /// combines the others.
    ///
    /// # Errors
    /// Text that is no reading, several readings, or a reading without a block.
    pub fn from_reading(text: &str) -> Result<Self, SpacerError> {
        let mut readings = Vec::new();
        let stream = serde_json::Deserializer::from_str(text.trim_start_matches('\u{feff}')).into_iter::<Said>();
        for said in stream {
            readings.push(
                said.map_err(|error| SpacerError::NotAReading { line: error.line(), message: what_is_wrong(&error) })?,
            );
        }
        let count = readings.len();
        let said = readings.pop().ok_or(SpacerError::NoReading)?;
        if said.schema != SCHEMA {
            return Err(SpacerError::OtherSchema { schema: said.schema });
        }
        if count > 1 && said.combine.is_none() {
            return Err(SpacerError::SeveralReadings { count });
        }
        let Some(focus) = said.focus else {
            let refusal = said.refusal.unwrap_or_default();
            return Err(SpacerError::Refused { message: refusal.message, advice: refusal.advice });
        };
        let spacer = focus.spacer_mm.ok_or(SpacerError::NoSpacer)?.estimate();
        if spacer.value <= 0.0 {
            return Err(SpacerError::NothingFits { gap_mm: -spacer.value });
        }
        let slack = focus.depth_of_focus_mm.map(|slack| DepthOfFocus {
            fraction: slack.fraction,
            below_mm: slack.below,
            above_mm: slack.above,
        });
        let kerf = focus.kerf_mm.map(|kerf| kerf.estimate());
        Self { spacer, slack, kerf }.checked("spacer_mm")
    }

    /// The same with a height slack that somebody says is right.
    ///
    /// # Errors
    /// A limit that is not above zero, or a share that is not above 0 and at most 1.
    pub fn with_slack(self, slack: DepthOfFocus) -> Result<Self, SpacerError> {
        Self { slack: Some(slack), ..self }.checked("--spacer-mm")
    }

    fn checked(self, field: &str) -> Result<Self, SpacerError> {
        length_in_range(field, self.spacer.value)?;
        uncertainty_in_range("its standard uncertainty", self.spacer.standard_uncertainty)?;
        if let Some(slack) = &self.slack {
            length_in_range("the height slack below", slack.below_mm)?;
            length_in_range("the height slack above", slack.above_mm)?;
            if !(slack.fraction > 0.0 && slack.fraction <= 1.0) {
                return Err(SpacerError::ShareOutOfRange {
                    field: "the height slack's share".to_owned(),
                    value: slack.fraction,
                    least: 0.0,
                    most: 1.0,
                });
            }
        }
        if let Some(kerf) = &self.kerf {
            length_in_range("kerf_mm", kerf.value)?;
        }
        Ok(self)
    }

    /// What a gap of this size does to the line where `wanted_mm` would be right.
    ///
    /// The width follows the caustic through the slack's limit on that side: it has grown by the fraction *g* at the
    /// limit *b*, so w/w₀ = √(1 + (off/L)²) with L = b/√((1+g)² − 1) (ISO 11146-1, clause 9, solved for the Rayleigh
    /// length).
    pub fn miss(&self, gap: &Estimate, wanted_mm: f64) -> Miss {
        let off = gap.value - wanted_mm;
        let u = gap.standard_uncertainty.hypot(self.spacer.standard_uncertainty);
        let off = Estimate::new(off, u);
        let limit = |off: f64, slack: &DepthOfFocus| if off >= 0.0 { slack.below_mm } else { slack.above_mm };
        let place = |slack: &DepthOfFocus| {
            let reach = [off.value - off.expanded(), off.value + off.expanded()];
            if off.value.abs() > limit(off.value, slack) {
                Slack::Outside
            } else if reach.iter().any(|&end| end.abs() > limit(end, slack)) {
                Slack::Barely
            } else {
                Slack::Inside
            }
        };
        let wider = |slack: &DepthOfFocus| {
            let length = limit(off.value, slack) / ((1.0 + slack.fraction).powi(2) - 1.0).sqrt();
            1.0_f64.hypot(off.value / length) - 1.0
        };
        Miss { off, slack: self.slack.as_ref().map(place), wider: self.slack.as_ref().map(wider) }
    }
}

pub(super) fn length_in_range(field: &str, value: f64) -> Result<(), SpacerError> {
    if value > 0.0 && value <= LONGEST_MM {
        return Ok(());
    }
    Err(SpacerError::LengthOutOfRange { field: field.to_owned(), value, most: LONGEST_MM })
}

pub(super) fn uncertainty_in_range(field: &str, value: f64) -> Result<(), SpacerError> {
    if value >= 0.0 && value.is_finite() {
        return Ok(());
    }
    Err(SpacerError::UncertaintyOutOfRange { field: field.to_owned(), value })
}

/// The place is told apart already.
fn what_is_wrong(error: &serde_json::Error) -> String {
    let text = error.to_string();
    text.split(" at line ").next().unwrap_or_default().to_owned()
}

#[derive(Deserialize)]
struct Said {
    schema: String,
    combine: Option<String>,
    refusal: Option<SaidRefusal>,
    focus: Option<SaidFocus>,
}

#[derive(Deserialize, Default)]
struct SaidRefusal {
    message: String,
    advice: String,
}

#[derive(Deserialize)]
struct SaidFocus {
    spacer_mm: Option<Quantity>,
    kerf_mm: Option<Quantity>,
    depth_of_focus_mm: Option<SaidSlack>,
}

#[derive(Deserialize)]
struct Quantity {
    value: f64,
    standard_uncertainty: f64,
}

impl Quantity {
    const fn estimate(&self) -> Estimate {
        Estimate::new(self.value, self.standard_uncertainty)
    }
}

#[derive(Deserialize)]
struct SaidSlack {
    fraction: f64,
    below: f64,
    above: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    const READING: &str = r#"{"schema":"narrows.reading/1","picture":"a.png","verdict":"found","refusal":null,"focus":{
        "position_mm":{"value":41.3,"standard_uncertainty":0.3,"expanded_uncertainty":0.6},"height_mm":null,
        "spacer_mm":{"value":8.45,"standard_uncertainty":0.12,"expanded_uncertainty":0.24},
        "kerf_mm":{"value":0.2,"standard_uncertainty":0.01,"expanded_uncertainty":0.02},
        "depth_of_focus_mm":{"fraction":0.05,"below":0.8,"above":0.6,"total":1.4}}}"#;

    #[test]
    fn a_reading_gives_block_slack_and_line_width() {
        let wanted = Wanted::from_reading(READING).unwrap();
        assert_eq!(wanted.spacer, Estimate::new(8.45, 0.12));
        assert_eq!(wanted.kerf.unwrap().value, 0.2);
        assert_eq!(wanted.slack, Some(DepthOfFocus { fraction: 0.05, below_mm: 0.8, above_mm: 0.6 }));
    }

    #[test]
    fn of_several_readings_only_a_combined_one_counts() {
        let two = format!("{READING}\n{READING}\n");
        assert_eq!(Wanted::from_reading(&two), Err(SpacerError::SeveralReadings { count: 2 }));
        let combined = READING.replace(r#""picture":"a.png""#, r#""picture":null,"combine":"strips""#);
        assert!(Wanted::from_reading(&format!("{two}{combined}")).is_ok());
    }

    #[test]
    fn what_carries_no_block_is_told_apart() {
        assert_eq!(Wanted::from_reading(" \n"), Err(SpacerError::NoReading));
        assert!(matches!(Wanted::from_reading("[1, 2]"), Err(SpacerError::NotAReading { line: 1, .. })));
        assert!(matches!(Wanted::from_reading("\n{\"sch"), Err(SpacerError::NotAReading { line: 2, .. })));
        let other = READING.replace("reading/1", "reading/9");
        assert!(matches!(Wanted::from_reading(&other), Err(SpacerError::OtherSchema { .. })));
        let without =
            READING.replace(r#"{"value":8.45,"standard_uncertainty":0.12,"expanded_uncertainty":0.24}"#, "null");
        assert_eq!(Wanted::from_reading(&without), Err(SpacerError::NoSpacer));
        let above = READING.replace("8.45", "-0.4");
        assert_eq!(Wanted::from_reading(&above), Err(SpacerError::NothingFits { gap_mm: 0.4 }));
        let refused =
            r#"{"schema":"narrows.reading/1","refusal":{"code":"no_line","message":"m","advice":"a"},"focus":null}"#;
        let error = Wanted::from_reading(refused).unwrap_err();
        assert_eq!(error.hint(), "a");
    }

    #[test]
    fn a_block_needs_a_thickness() {
        for thickness in [0.0, -1.0, f64::NAN, f64::INFINITY, 1001.0] {
            assert!(matches!(Wanted::typed(Estimate::new(thickness, 0.1)), Err(SpacerError::LengthOutOfRange { .. })));
        }
        let error = Wanted::typed(Estimate::new(8.0, -0.1));
        assert!(matches!(error, Err(SpacerError::UncertaintyOutOfRange { .. })));
    }

    /// Depth of focus for a growth g: ±zR·√((1+g)² − 1); 5 % → 0.3201562 zR, 10 % → 0.4582576 zR, √2 → zR
    /// (ISO 11146-1, clause 9, hyperbola of the beam's width).
    #[test]
    fn the_line_widens_as_the_published_depths_of_focus_say() {
        let slack = DepthOfFocus { fraction: 0.05, below_mm: 0.320_156_2, above_mm: 2.0 * 0.320_156_2 };
        let wanted = Wanted::typed(Estimate::new(8.0, 0.0)).unwrap().with_slack(slack).unwrap();
        let wider = |off: f64| wanted.miss(&Estimate::new(8.0 + off, 0.0), 8.0).wider.unwrap();
        assert!((wider(0.320_156_2) - 0.05).abs() < 1e-9);
        assert!((wider(0.458_257_6) - 0.10).abs() < 1e-6);
        assert!((wider(1.0) - (2.0_f64.sqrt() - 1.0)).abs() < 1e-6);
        assert!((wider(-2.0) - (2.0_f64.sqrt() - 1.0)).abs() < 1e-6); // the upper side is twice as long here
        assert_eq!(wider(0.0), 0.0);
    }

    #[test]
    fn inside_barely_and_outside() {
        let slack = DepthOfFocus { fraction: 0.05, below_mm: 0.8, above_mm: 0.5 };
        let wanted = Wanted::typed(Estimate::new(8.0, 0.1)).unwrap().with_slack(slack).unwrap();
        let place = |gap: f64| wanted.miss(&Estimate::new(gap, 0.0), 8.0).slack.unwrap();
        assert_eq!(place(8.5), Slack::Inside);
        assert_eq!(place(8.7), Slack::Barely);
        assert_eq!(place(8.9), Slack::Outside);
        assert_eq!(place(7.75), Slack::Inside);
        assert_eq!(place(7.6), Slack::Barely);
        assert_eq!(place(7.45), Slack::Outside);
    }
}
