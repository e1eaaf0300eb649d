//! Setup fields in the words of the page, where the library's messages name flags and file fields.

use crate::setup::{Field, Missing, SetupError};

/// What a field is called on the page.
pub(super) const fn label(field: Field) -> &'static str {
    match field {
        Field::Travel => "head travel",
        Field::StripLength => "strip length",
        Field::StripWidth => "strip width",
        Field::LowHeight => "height at the low end",
        Field::HighHeight => "height at the high end",
        Field::Rise => "rise",
        Field::Incline => "angle",
        Field::Prop => "block under the strip",
        Field::PropAt => "distance to that block",
        Field::RampFile => "ramp file",
        Field::MiddleHeight => "height at the middle",
        Field::FlatnessU => "how sure the strip is straight",
        Field::MeasuredWith => "measured with",
        Field::HeightU => "how sure the heights are",
        Field::InclineU => "how sure the angle is",
        Field::GapLow => "gap over the low end",
        Field::GapHigh => "gap over the high end",
        Field::MiddleGap => "gap at the middle",
        Field::GapsByBlock => "gaps found with blocks",
        Field::Block => "block that just slid under",
        Field::BlockAt => "where it slid under",
        Field::TipDiameter => "width of the nozzle's tip",
        Field::NozzleHeight => "height of the nozzle's tip",
        Field::GapU => "how sure the gaps are",
        Field::LensToNozzle => "lens to nozzle",
        Field::NominalFocalLength => "focal length printed on the lens",
        Field::SpacerInUse => "block in use today",
        Field::GaugedFrom => "gauged from",
        Field::Material => "material",
        Field::Power => "power",
        Field::Speed => "speed",
        Field::Passes => "passes",
        Field::Air => "air assist",
        Field::RunAlong => "axis",
        Field::Datum => "what marks the two ends",
        Field::LowEnd => "where the low end lies",
        Field::MarkPitch => "distance between index marks",
        Field::PointsPx => "the two points",
        Field::PointsTravel => "travel of the two points",
        Field::PointsU => "how sure the points are",
        Field::Dpi => "resolution of the scan",
        Field::AreaPx => "area",
    }
}

/// What is wrong with the lengths, and what to do, as the page says it.
pub(super) fn sentences(error: &SetupError) -> [String; 2] {
    match error {
        SetupError::Missing(Missing { field, .. }) => {
            [format!("{} is still missing", quoted(*field)), format!("fill it in, such as {}", field.example())]
        }
        SetupError::NoSteepness { .. } => [
            "nothing says yet how steep the ramp was".to_owned(),
            "fill in both gaps, or another way of saying it".to_owned(),
        ],
        SetupError::RampFileWithoutFolder { .. } | SetupError::RampFileUnreadable { .. } => [
            "the page opens no files by their name".to_owned(),
            "give the ramp's angle and how sure it is instead".to_owned(),
        ],
        other => [in_page_words(&other.to_string()), in_page_words(&other.hint())],
    }
}

fn quoted(field: Field) -> String {
    format!("“{}”", label(field))
}

/// Replaces `--travel-mm` and `travel_mm` by the page's word. The longest names first: one may begin another.
fn in_page_words(text: &str) -> String {
    let mut fields = Field::ALL.to_vec();
    fields.sort_by_key(|field| std::cmp::Reverse(field.name().len()));
    let mut said = text.to_owned();
    for field in &fields {
        said = said.replace(&field.flag(), &quoted(*field));
    }
    // Names that are plain words too ("rise", "air") only ever stand for the field where they carry an underscore.
    for field in fields.iter().filter(|field| field.name().contains('_')) {
        said = said.replace(field.name(), &quoted(*field));
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::RawSetup;

    fn told(fields: &[(Field, &str)]) -> [String; 2] {
        let mut raw = RawSetup::default();
        let set = fields.iter().try_for_each(|(field, text)| raw.set_flag(*field, text));
        sentences(&set.and_then(|()| raw.check().map(|_| ())).unwrap_err())
    }

    #[test]
    fn errors_name_what_stands_on_the_page() {
        let cases: [&[(Field, &str)]; 7] = [
            &[],
            &[(Field::Travel, "0")],
            &[(Field::Travel, "7,5")],
            &[(Field::Travel, "150")],
            &[(Field::Travel, "150"), (Field::GapLow, "2"), (Field::GapHigh, "17")],
            &[(Field::Travel, "150"), (Field::Rise, "15"), (Field::Incline, "5"), (Field::LowEnd, "left")],
            &[(Field::Travel, "150"), (Field::Datum, "strip"), (Field::StripLength, "190")],
        ];
        for fields in cases {
            for sentence in told(fields) {
                assert!(!sentence.contains("--") && !sentence.contains('_'), "{fields:?}: {sentence}");
            }
        }
        assert!(
            told(&[(Field::Travel, "150"), (Field::GapLow, "2"), (Field::GapHigh, "17")])[0]
                .contains("“gap over the low end” is 2")
        );
    }
}
