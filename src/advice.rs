//! Every way of having no answer, as a refusal with advice for the person at the bench: the only such table.

use crate::anchor::breaks::Breaks;
use crate::anchor::tie::TieError;
use crate::fit::data::LEAST_STATIONS;
use crate::fit::waist::NoWaist;
use crate::refusal::{Refusal, RefusalCode as Code};
use crate::setup::{Datum, Setup};

/// Why the stages before the tie stopped.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoCourse {
    /// Nothing stands out as a line.
    NoLine,
    /// Several candidates.
    SeveralLines {
        /// How many.
        found: usize,
    },
    /// Two fine strokes that cross.
    Crossing,
    /// Dotted, interrupted, burnt through.
    Broken(Breaks),
    /// Too few places with clean edges.
    TooFewStations {
        /// Usable.
        found: usize,
    },
    /// Too wide for how fast it widens: many strokes side by side.
    Filled {
        /// Narrowest width.
        kerf_mm: f64,
    },
    /// No head runs like this.
    Bowed {
        /// Farthest from its chord over its length.
        bow: f64,
    },
    /// The line is too thin in this picture.
    Unresolved {
        /// Narrowest kerf.
        kerf_px: f64,
        /// Blur, standard deviation.
        blur_px: f64,
    },
}

/// The refusal for a line that could not be measured.
pub fn no_course(why: NoCourse) -> Refusal {
    match why {
        NoCourse::NoLine => Refusal::new(
            Code::NoLine,
            "no burned line stands out in this picture",
            "take the picture square on and in even light with the whole line in it, or say where to look with area_px",
        ),
        NoCourse::SeveralLines { found } => Refusal::new(
            Code::SeveralLines,
            format!("{found} lines stand out, and any of them could be the ramp test"),
            "cover or cut off the other lines, or say where the right one is with area_px",
        ),
        NoCourse::Crossing => Refusal::new(
            Code::SeveralLines,
            "what stands out parts in two fine strokes that cross, each no wider than where they meet",
            "burn one plain stroke, and cover or cut off what is drawn beside it",
        ),
        NoCourse::Broken(breaks) if breaks.reversed_share > 0.02 => Refusal::new(
            Code::LineBroken,
            "the line turns from dark to light on the way: it looks burnt through",
            "burn a new strip faster or weaker, so that nothing goes through, and put black paper behind it when scanning",
        ),
        NoCourse::Broken(breaks) => Refusal::new(
            Code::LineBroken,
            format!(
                "the line is interrupted over {:.0} % of its length",
                100.0 * breaks.gap_share.max(breaks.longest_share)
            ),
            "burn one plain unbroken stroke at constant speed, slower if it fades and faster if it goes through",
        ),
        NoCourse::TooFewStations { found } => Refusal::new(
            Code::TooFewStations,
            format!("only {found} places along the line have clean edges; at least {LEAST_STATIONS} are needed"),
            "use a flat light material without strong grain, and take a sharper picture with more pixels",
        ),
        NoCourse::Filled { kerf_mm } => Refusal::new(
            Code::SeveralLines,
            format!(
                "the mark is {kerf_mm:.1} mm wide where it is finest, too wide for one stroke that widens this fast"
            ),
            "burn one plain stroke, not an area filled line by line",
        ),
        NoCourse::Bowed { bow } => Refusal::new(
            Code::NoLine,
            format!("what stands out bends by {:.1} % of its length, and a laser head runs straight", 100.0 * bow),
            "say where the line is with area_px; if this is it, lay the strip flat and take the picture square on, from farther away",
        ),
        NoCourse::Unresolved { kerf_px, blur_px } => Refusal::new(
            Code::Unresolved,
            format!("the line is only {kerf_px:.1} pixels wide where it is finest, with a blur of {blur_px:.1} pixels"),
            "scan at a higher resolution, or photograph the fine part from close by and in focus",
        ),
    }
}

/// The refusal for a course that cannot be tied to the ramp.
pub fn no_tie(why: &TieError) -> Refusal {
    let end = |is_low: bool| if is_low { "low end" } else { "high end" };
    match *why {
        TieError::LowEndAcross => Refusal::new(
            Code::LowEndUnknown,
            "the side given as low_end lies across the line, so it does not tell which end is low",
            "say left, right, top or bottom as the line runs in the upright picture",
        ),
        TieError::LowEndMissing => Refusal::new(
            Code::LowEndUnknown,
            "nothing tells which end of the line is the low one",
            "say where the low end is: left, right, top or bottom",
        ),
        TieError::LowEndContradictsMarks => Refusal::new(
            Code::LowEndUnknown,
            "the index marks say that the low end is on the other side than low_end does",
            "check which end of the strip carries LOW, then correct low_end or leave it out",
        ),
        TieError::EndFades { is_low } => Refusal::new(
            Code::EndsNotFound,
            format!(
                "the line fades out or tapers at the {}, so its end does not show where the beam stopped",
                end(is_low)
            ),
            "burn slower or a little stronger so that the line reaches its ends, or use the strip's edges, marks or points",
        ),
        TieError::EndOutside { is_low } => Refusal::new(
            Code::EndsNotFound,
            format!("the line runs out of the picture at the {}", end(is_low)),
            "take a picture with both ends in it, or use index marks or points",
        ),
        TieError::EndOffStrip { is_low } => Refusal::new(
            Code::EndsNotFound,
            format!(
                "the line runs off the strip at the {}, so its end does not show where the beam stopped",
                end(is_low)
            ),
            "burn the line so that it starts and stops on the strip, or use the strip's edges, marks or points",
        ),
        TieError::TooShort { ratio } => Refusal::new(
            Code::EndsNotFound,
            format!("the visible line is {:.1} % shorter than the stated resolution makes it", 100.0 * (1.0 - ratio)),
            "check travel_mm and dpi; if both are right the line faded before its ends: burn slower or a little stronger",
        ),
        TieError::ScaleDisagrees { ratio } => Refusal::new(
            Code::NoScale,
            format!(
                "the known length comes out {:.1} % {} than the stated resolution makes it",
                100.0 * (ratio - 1.0).abs(),
                if ratio > 1.0 { "longer" } else { "shorter" }
            ),
            "check travel_mm and dpi, or leave dpi out",
        ),
        TieError::StripDisagrees { ratio, is_by_ends } => {
            let message = format!(
                "by the strip's length and width {} {:.0} % {} than the length given for it",
                if is_by_ends { "the visible line is" } else { "the way between the two points is" },
                100.0 * (ratio - 1.0).abs(),
                if ratio > 1.0 { "longer" } else { "shorter" }
            );
            if is_by_ends {
                let hint = "check travel_mm and the strip's length and width; if all are right the line faded before its ends: burn slower or \
                            a little stronger";
                Refusal::new(Code::EndsNotFound, message, hint)
            } else {
                let hint = "check where the points are, travel_mm, and the strip's length and width";
                Refusal::new(Code::NoScale, message, hint)
            }
        }
        TieError::StripNotFound => Refusal::new(
            Code::StripNotFound,
            "the strip's two short edges were not found where they should be",
            "picture the whole strip on a ground that differs from it, and check strip_length_mm",
        ),
        TieError::MarksNotFound { found } => Refusal::new(
            Code::MarksNotFound,
            format!("{found} index marks were recognised; five neighbours are needed"),
            "check mark_pitch_mm, and take the picture so that at least five marks on both sides of the line are sharp",
        ),
        TieError::MarksAmbiguous => Refusal::new(
            Code::MarksAmbiguous,
            "the index marks in the picture fit more than one place on the strip",
            "take in more marks, or say which side the low end is on with low_end",
        ),
    }
}

/// The refusal for a line without a waist.
pub fn no_waist(why: NoWaist, setup: &Setup) -> Refusal {
    match why {
        NoWaist::TooFew { found } => no_course(NoCourse::TooFewStations { found }),
        NoWaist::NotBracketed { is_high } => {
            // The gap is smallest at the high end: a focus beyond it needs the nozzle closer to the strip.
            let [end, head] = if is_high { ["high", "lower the head"] } else { ["low", "raise the head"] };
            let by = 0.5 * setup.ramp.rise.value;
            let how =
                if matches!(setup.picture.datum, Datum::Marks { .. }) { "the marks again with it" } else { "again" };
            Refusal::new(
                Code::NotBracketed,
                format!("the line is finest at or beyond its {end} end, so the focus lies outside the ramp test"),
                format!("{head} by about {by:.0} mm, check the clearance over the high end, and burn {how}"),
            )
        }
        NoWaist::Flat { ratio } => Refusal::new(
            Code::TooFlat,
            match (100.0 * (ratio - 1.0)).round() {
                1.0.. => format!("the line's width changes by only {:.0} % along the strip", 100.0 * (ratio - 1.0)),
                _ => "the line's width hardly changes along the strip".to_owned(),
            },
            "make the ramp steeper, and burn slower or a little stronger so that the line widens on both sides of its finest place",
        ),
        NoWaist::Fades => Refusal::new(
            Code::TooFlat,
            "the line gets thinner only where it fades out, not where it comes into focus",
            "burn slower or a little stronger, so that the line stays dark to its ends",
        ),
        NoWaist::NotABeam => Refusal::new(
            Code::NoLine,
            "what stands out narrows and widens, but not as a line burned up a ramp does",
            "picture a line burned with one plain stroke at constant speed; if this is one, burn it again on a flat light material",
        ),
        NoWaist::Unmeasured => Refusal::new(
            Code::LineBroken,
            "the line is burnt through, broken, covered or lost in dark grain where it should be finest",
            "burn on a light piece without knots or dark streaks, faster or weaker if the line is black or goes through",
        ),
        NoWaist::Erratic { wander } => Refusal::new(
            Code::TooFlat,
            format!(
                "the line's width wanders by {:.0} %, too much beside what it changes along the strip",
                100.0 * wander
            ),
            "use a flat light material without strong grain and a steeper ramp",
        ),
    }
}

/// What the usual setup field for a datum is called, for messages.
pub const fn datum_name(datum: &Datum) -> &'static str {
    match datum {
        Datum::Ends => "ends",
        Datum::Strip => "strip",
        Datum::Marks { .. } => "marks",
        Datum::Points { .. } => "points",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flat_line_is_told_without_a_percentage_of_nought() {
        let setup = crate::setup::parse_toml(
            "[ramp]\ntravel_mm = 100\n[head]\ngap_low_mm = 12\ngap_high_mm = 2\n[picture]\nlow_end = \"left\"\n",
            None,
        );
        let setup = setup.unwrap();
        let told = |ratio: f64| no_waist(NoWaist::Flat { ratio }, &setup).message;
        assert!(told(1.053).contains("only 5 %"), "{}", told(1.053));
        for ratio in [0.9, 1.0, 1.003, f64::NAN] {
            assert!(told(ratio).contains("hardly"), "{}", told(ratio));
        }
    }
}
