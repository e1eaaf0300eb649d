//! Everything that is said about one wanted block, put together.

use super::error::SpacerError;
use super::settings::{SMALL_GAP_MM, Setting, SettingOptions, Work, settings};
use super::stack::{Stack, StackOptions, stacks};
use super::stock::Stock;
use super::wanted::{Miss, Slack, Wanted};

/// What is asked.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AnswerOptions {
    /// How to stack.
    pub stack: StackOptions,
    /// How to set the focus for cuts.
    pub setting: SettingOptions,
    /// Sheets to cut, in mm.
    pub thicknesses_mm: Vec<f64>,
}

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// What was wanted.
    pub wanted: Wanted,
    /// What was asked.
    pub options: AnswerOptions,
    /// The best stacks for the wanted block, best first; empty where there is no stock.
    pub stacks: Vec<Found>,
    /// Settings for the work, each with its nearest stack where there is stock and the setting is usable.
    pub settings: Vec<(Setting, Option<Found>)>,
    /// Doubts, in the order of [`SpacerCaution`].
    pub cautions: Vec<SpacerCaution>,
}

/// A stack, and what it means for the line.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// The pieces.
    pub stack: Stack,
    /// How far off.
    pub miss: Miss,
}

/// Something to know before using the answer. Lengths in mm.
#[derive(Debug, Clone, PartialEq)]
pub enum SpacerCaution {
    /// The best stack lies outside the height slack.
    OutsideSlack {
        /// Stack minus wanted.
        off_mm: f64,
    },
    /// The wanted block itself is small.
    SpacerSmall,
    /// Cuts whose gap is small.
    GapSmall {
        /// Thicknesses of the sheets.
        thicknesses_mm: Vec<f64>,
    },
    /// Cuts for which the nozzle would touch the work.
    NozzleTouches {
        /// Thicknesses of the sheets.
        thicknesses_mm: Vec<f64>,
    },
}

impl SpacerCaution {
    /// Name in JSON.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::OutsideSlack { .. } => "outside_slack",
            Self::SpacerSmall => "spacer_small",
            Self::GapSmall { .. } => "gap_small",
            Self::NozzleTouches { .. } => "nozzle_touches",
        }
    }
}

/// Puts the answer together.
///
/// # Errors
/// Options out of range; a thickness for which the nozzle would touch is a caution.
pub fn answer(wanted: Wanted, stock: Option<&Stock>, options: AnswerOptions) -> Result<Answer, SpacerError> {
    let found = |wanted_mm: f64, options: &StackOptions| -> Result<Vec<Found>, SpacerError> {
        let Some(stock) = stock else { return Ok(Vec::new()) };
        let found = stacks(stock, wanted_mm, options)?.into_iter();
        Ok(found.map(|stack| Found { miss: wanted.miss(&stack.total, wanted_mm), stack }).collect())
    };
    let best = found(wanted.spacer.value, &options.stack)?;
    let only_best = StackOptions { stacks: 1, ..options.stack };
    let mut set = Vec::new();
    for setting in settings(&wanted, &options.thicknesses_mm, &options.setting)? {
        let nearest = match setting.usable() {
            Ok(setting) => found(setting.gap.value, &only_best)?.into_iter().next(),
            Err(_) => None,
        };
        set.push((setting, nearest));
    }
    let cautions = cautions(&wanted, &best, &set);
    Ok(Answer { wanted, options, stacks: best, settings: set, cautions })
}

fn cautions(wanted: &Wanted, stacks: &[Found], settings: &[(Setting, Option<Found>)]) -> Vec<SpacerCaution> {
    let mut cautions = Vec::new();
    if let Some(Found { miss, .. }) = stacks.first()
        && miss.slack == Some(Slack::Outside)
    {
        cautions.push(SpacerCaution::OutsideSlack { off_mm: miss.off.value });
    }
    if wanted.spacer.value < SMALL_GAP_MM {
        cautions.push(SpacerCaution::SpacerSmall);
    }
    let cuts = |holds: &dyn Fn(&Setting) -> bool| -> Vec<f64> {
        let thickness = |setting: &Setting| match setting.work {
            Work::Cut { thickness_mm } if holds(setting) => Some(thickness_mm),
            _ => None,
        };
        settings.iter().filter_map(|(setting, _)| thickness(setting)).collect()
    };
    let small = cuts(&|setting| setting.is_small() && setting.usable().is_ok());
    // Where engraving is small already, every cut is.
    if !small.is_empty() && wanted.spacer.value >= SMALL_GAP_MM {
        cautions.push(SpacerCaution::GapSmall { thicknesses_mm: small });
    }
    let touching = cuts(&|setting| setting.usable().is_err());
    if !touching.is_empty() {
        cautions.push(SpacerCaution::NozzleTouches { thicknesses_mm: touching });
    }
    cautions
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::Estimate;
    use crate::reading::DepthOfFocus;

    fn answered(spacer_mm: f64, list: &str, thicknesses_mm: &[f64]) -> Answer {
        let slack = DepthOfFocus { fraction: 0.05, below_mm: 0.4, above_mm: 0.3 };
        let wanted = Wanted::typed(Estimate::new(spacer_mm, 0.05)).unwrap().with_slack(slack).unwrap();
        let stock = Stock::from_list(list, 0.02).unwrap();
        let options = AnswerOptions { thicknesses_mm: thicknesses_mm.to_vec(), ..AnswerOptions::default() };
        answer(wanted, Some(&stock), options).unwrap()
    }

    #[test]
    fn a_good_stack_raises_no_caution() {
        let answer = answered(8.0, "3,5,6.3", &[3.0]);
        assert_eq!(answer.stacks[0].miss.off.value, 0.0);
        assert_eq!(answer.cautions, []);
        let (cut, stack) = &answer.settings[1];
        assert!((cut.gap.value - 7.1).abs() < 1e-12);
        assert_eq!(stack.as_ref().unwrap().stack.total.value, 6.3);
        assert_eq!(stack.as_ref().unwrap().miss.slack, Some(Slack::Outside));
    }

    #[test]
    fn every_caution_has_a_cause() {
        let codes = |answer: &Answer| answer.cautions.iter().map(SpacerCaution::code).collect::<Vec<_>>();
        assert_eq!(codes(&answered(8.0, "9", &[])), ["outside_slack"]);
        assert_eq!(codes(&answered(2.4, "2.4", &[1.0])), ["spacer_small"]);
        assert_eq!(codes(&answered(3.0, "3", &[1.0, 2.0, 10.0, 12.0])), ["gap_small", "nozzle_touches"]);
    }

    #[test]
    fn without_stock_there_are_settings_alone() {
        let wanted = Wanted::typed(Estimate::new(8.0, 0.0)).unwrap();
        let answer =
            answer(wanted, None, AnswerOptions { thicknesses_mm: vec![3.0], ..AnswerOptions::default() }).unwrap();
        assert!(answer.stacks.is_empty() && answer.settings.iter().all(|(_, stack)| stack.is_none()));
        assert_eq!(answer.settings.len(), 2);
    }
}
