//! Bench words for what the types call by shorter names; screen, chart and overlay share them.

use crate::locate::Tie;
use crate::reading::Model;
use crate::stations::{LeftOut, Station};

/// Every reason, in the order they are told.
pub(crate) const REASONS: [LeftOut; 6] = [
    LeftOut::NearEnd,
    LeftOut::Faint,
    LeftOut::Disturbed,
    LeftOut::Outlier,
    LeftOut::NotFitted,
    LeftOut::OutsidePicture,
];

/// Why a measured place was left out.
pub(crate) const fn reason(left_out: LeftOut) -> &'static str {
    match left_out {
        LeftOut::NearEnd => "too close to an end",
        LeftOut::Faint => "too pale",
        LeftOut::Disturbed => "disturbed (knot, mark, glare)",
        LeftOut::Outlier => "unlike its neighbours",
        LeftOut::NotFitted => "no clear edges",
        LeftOut::OutsidePicture => "outside the picture",
    }
}

/// What a fit draws through the line widths.
pub(crate) const fn model(model: Model) -> &'static str {
    match model {
        Model::Parabola => "plain curve near the finest place",
        Model::ThresholdCaustic => "beam shape along the line",
        Model::TwoSidedCaustic => "beam shape, each side on its own",
    }
}

/// What told where on the strip the line's places are.
pub(crate) fn placed_by(tie: &Tie) -> String {
    match tie.datum {
        "ends" => "the two ends of the line".to_owned(),
        "strip" => "the two short edges of the strip".to_owned(),
        "points" => "the two points you gave".to_owned(),
        "marks" => match tie.marks.len() {
            1 => "1 index mark".to_owned(),
            number => format!("{number} index marks"),
        },
        other => other.to_owned(),
    }
}

/// How many measured places were left out for each reason that occurs; `None` counts those without a reason.
pub(crate) fn left_out_counts(stations: &[Station]) -> Vec<(Option<LeftOut>, usize)> {
    let count = |which: Option<LeftOut>| stations.iter().filter(|s| !s.used && s.left_out == which).count();
    REASONS
        .into_iter()
        .map(Some)
        .chain([None])
        .map(|which| (which, count(which)))
        .filter(|&(_, number)| number > 0)
        .collect()
}
