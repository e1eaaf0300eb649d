//! A block's answer as one line of JSON, in millimetres, numbers to six decimals; `docs/spacer.md` names the fields.

use serde::Serialize;

use super::json::{Quantity, SlackObject, one_line};
use super::rounding::Units;
use super::spacer_text::caution_words;
use crate::spacer::{Answer, Found, Setting, Slack, StepGauge, Work};

/// Name and version of the object's layout.
pub const SCHEMA: &str = "narrows.spacer/1";

/// The answer, compact and without a line end. `source` says where the wanted block comes from.
pub fn answer(answer: &Answer, source: &str, step_gauge: Option<&StepGauge>) -> String {
    one_line(&Object {
        schema: SCHEMA,
        source,
        spacer_mm: Quantity::from(&answer.wanted.spacer),
        depth_of_focus_mm: answer.wanted.slack.as_ref().map(SlackObject::from),
        kerf_mm: answer.wanted.kerf.as_ref().map(Quantity::from),
        most_pieces: answer.options.stack.pieces,
        stacks: answer.stacks.iter().map(|found| StackObject::new(found, answer)).collect(),
        sunk_fraction: answer.options.setting.sunk_fraction,
        settings: answer.settings.iter().map(|(setting, found)| SettingObject::new(setting, found, answer)).collect(),
        cautions: answer
            .cautions
            .iter()
            .map(|caution| CautionObject {
                code: caution.code(),
                message: caution_words(caution, Units::Millimetres).0,
            })
            .collect(),
        step_gauge: step_gauge.map(StepGaugeObject::from),
    })
}

#[derive(Serialize)]
struct Object<'a> {
    schema: &'static str,
    source: &'a str,
    spacer_mm: Quantity,
    depth_of_focus_mm: Option<SlackObject>,
    kerf_mm: Option<Quantity>,
    most_pieces: usize,
    stacks: Vec<StackObject<'a>>,
    sunk_fraction: f64,
    settings: Vec<SettingObject<'a>>,
    cautions: Vec<CautionObject>,
    step_gauge: Option<StepGaugeObject>,
}

#[derive(Serialize)]
struct StackObject<'a> {
    pieces: Vec<PieceObject<'a>>,
    piece_count: usize,
    total_mm: Quantity,
    off_mm: Quantity,
    within_depth_of_focus: Option<bool>,
    surely_within_depth_of_focus: Option<bool>,
    kerf_growth: Option<f64>,
    kerf_mm: Option<f64>,
}

impl<'a> StackObject<'a> {
    fn new(found: &'a Found, answer: &Answer) -> Self {
        let Found { stack, miss } = found;
        Self {
            pieces: stack
                .layers
                .iter()
                .map(|layer| PieceObject {
                    thickness_mm: layer.piece.thickness.value,
                    thickness_u_mm: layer.piece.thickness.standard_uncertainty,
                    count: layer.count,
                    name: layer.piece.name.as_deref(),
                })
                .collect(),
            piece_count: stack.piece_count(),
            total_mm: Quantity::from(&stack.total),
            off_mm: Quantity::from(&miss.off),
            within_depth_of_focus: miss.slack.map(|slack| slack != Slack::Outside),
            surely_within_depth_of_focus: miss.slack.map(|slack| slack == Slack::Inside),
            kerf_growth: miss.wider,
            kerf_mm: miss.wider.and_then(|wider| Some((1.0 + wider) * answer.wanted.kerf?.value)),
        }
    }
}

#[derive(Serialize)]
struct PieceObject<'a> {
    thickness_mm: f64,
    thickness_u_mm: f64,
    count: usize,
    name: Option<&'a str>,
}

#[derive(Serialize)]
struct SettingObject<'a> {
    work: &'static str,
    thickness_mm: Option<f64>,
    sunk_mm: f64,
    spacer_mm: Option<Quantity>,
    small: bool,
    stack: Option<StackObject<'a>>,
}

impl<'a> SettingObject<'a> {
    fn new(setting: &Setting, found: &'a Option<Found>, answer: &Answer) -> Self {
        let (work, thickness_mm) = match setting.work {
            Work::Engrave => ("engrave", None),
            Work::Cut { thickness_mm } => ("cut", Some(thickness_mm)),
        };
        Self {
            work,
            thickness_mm,
            sunk_mm: setting.sunk_mm,
            spacer_mm: setting.usable().ok().map(|setting| Quantity::from(&setting.gap)),
            small: setting.is_small(),
            stack: found.as_ref().map(|found| StackObject::new(found, answer)),
        }
    }
}

#[derive(Serialize)]
struct CautionObject {
    code: &'static str,
    message: String,
}

#[derive(Serialize)]
struct StepGaugeObject {
    step_mm: f64,
    tread_mm: f64,
    kerf_mm: f64,
    steps: Vec<StepObject>,
}

#[derive(Serialize)]
struct StepObject {
    letter: char,
    height_mm: f64,
}

impl From<&StepGauge> for StepGaugeObject {
    fn from(gauge: &StepGauge) -> Self {
        Self {
            step_mm: gauge.step_mm,
            tread_mm: gauge.tread_mm,
            kerf_mm: gauge.kerf_mm,
            steps: gauge
                .steps
                .iter()
                .map(|step| StepObject { letter: step.letter, height_mm: step.height_mm })
                .collect(),
        }
    }
}
