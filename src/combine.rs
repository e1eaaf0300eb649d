//! Several readings of one setup made one: positions are combined and converted once, so that what the heights and
//! the head contribute is not averaged away.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::cautions::{Caution, CautionCode};
use crate::estimate::Estimate;
use crate::height::convert;
use crate::reading::{DepthOfFocus, Focus, Reading};
use crate::refusal::{Refusal, RefusalCode};
use crate::setup::{Datum, Setup};

/// Readings that disagree by more than chance would let them in one case of a hundred are said to.
const CHANCE_LEVEL: f64 = 0.01;

/// What the pictures show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Combine {
    /// Each its own strip, burned and read apart.
    Strips,
    /// One strip, again and again: its grain is in all of them and is not averaged away.
    Pictures,
}

impl Combine {
    /// Name in JSON and behind the flag.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Strips => "strips",
            Self::Pictures => "pictures",
        }
    }
}

/// One picture to be combined.
#[derive(Debug, Clone, Copy)]
pub struct Part<'a> {
    /// The picture's name as shown.
    pub name: &'a str,
    /// Its reading; `None` where the picture could not be read at all.
    pub reading: Option<&'a Reading>,
}

/// The combined answer.
#[derive(Debug, Clone)]
pub struct Combined {
    /// What the pictures show.
    pub combine: Combine,
    /// Names of the pictures used, in the order given.
    pub used: Vec<String>,
    /// Names of the pictures that gave no answer, in the order given.
    pub left_out: Vec<String>,
    /// The answer, or why there is none.
    pub outcome: Result<Focus, Refusal>,
    /// Doubts about the combination and its conversion, each once, in the order of their codes.
    pub cautions: Vec<Caution>,
}

/// A usable reading's share.
struct Share<'a> {
    name: &'a str,
    focus: &'a Focus,
    /// Standard uncertainty of the position that belongs to this picture alone.
    own_u_mm: f64,
}

/// Combines readings of one setup.
///
/// The position is the mean weighted with `1/u²`.
///
/// - **Strips** are independent: `u² = 1/Σ(1/u²)`.
/// - **Pictures** of one strip share its grain. Of each position's uncertainty, the part that the tie to the ramp
///   contributes is the picture's own where the datum is a strip's edge, marks or points; the rest, and with the line's
///   ends all of it, stems from the strip and is taken as fully correlated: `u² = (Σ w·u_strip)² + Σ(w·u_own)²` with
///   weights `w` that sum to one (JCGM 100:2008, 5.2.2, with correlation 1 for the first part).
///
/// Either way `χ² = Σ(xᵢ − x̄)²/uᵢ²` is compared with its distribution for n − 1 degrees of freedom at 1 %: beyond it the
/// caution `strips_disagree` says so, and the uncertainty is widened by `√(χ²/(n−1))`. For pictures of one strip, whose
/// grain cancels in the differences, this is a mild test. Kerf and depth of focus are weighted means over the readings
/// that have them; the latter carries no uncertainty and has the positions' weights.
///
/// Fewer than two usable readings are refused, `too_few_pictures`.
pub fn combine(combine: Combine, parts: &[Part<'_>], setup: &Setup) -> Combined {
    let shares: Vec<Share<'_>> = parts.iter().filter_map(|part| share(*part, setup)).collect();
    let has_no_share = |part: &&Part<'_>| !shares.iter().any(|share| share.is(part));
    let left_out: Vec<String> = parts.iter().filter(has_no_share).map(|part| part.name.to_owned()).collect();
    let mut cautions = Vec::new();
    if !left_out.is_empty() {
        let message = format!("left out, because they gave no answer: {}", left_out.join(", "));
        cautions.push(Caution::new(CautionCode::SomeLeftOut, message));
    }
    let used = shares.iter().map(|share| share.name.to_owned()).collect();
    if shares.len() < 2 {
        return Combined { combine, used, left_out, outcome: Err(too_few(shares.len(), parts.len())), cautions };
    }
    let (position, disagreement) = combined_position(combine, &shares);
    cautions.extend(disagreement);
    let (mut focus, doubts) = convert(position, combined_kerf(combine, &shares), None, 0.0, setup);
    focus.depth_of_focus_mm = combined_depth(&shares);
    cautions.extend(doubts);
    cautions.sort_by_key(|caution| caution.code);
    Combined { combine, used, left_out, outcome: Ok(focus), cautions }
}

impl Share<'_> {
    /// True where it is this part's; two pictures may have one name.
    fn is(&self, part: &Part<'_>) -> bool {
        part.reading
            .and_then(|reading| reading.outcome.as_ref().ok())
            .is_some_and(|focus| std::ptr::eq(focus, self.focus))
    }

    fn weight(&self) -> f64 {
        weight_of(&self.focus.position_mm)
    }
}

fn share<'a>(part: Part<'a>, setup: &Setup) -> Option<Share<'a>> {
    let reading = part.reading?;
    let focus = reading.outcome.as_ref().ok()?;
    let tie_u_mm = reading
        .tie
        .as_ref()
        .zip(reading.waist.as_ref())
        .map_or(0.0, |(tie, waist)| tie.at(waist.along_px).standard_uncertainty_mm);
    let own_u_mm = match setup.picture.datum {
        Datum::Ends => 0.0,
        Datum::Strip | Datum::Marks { .. } | Datum::Points { .. } => {
            tie_u_mm.min(focus.position_mm.standard_uncertainty)
        }
    };
    Some(Share { name: part.name, focus, own_u_mm })
}

fn combined_position(combine: Combine, shares: &[Share<'_>]) -> (Estimate, Option<Caution>) {
    let total: f64 = shares.iter().map(Share::weight).sum();
    let mean = shares.iter().map(|share| share.weight() / total * share.focus.position_mm.value).sum::<f64>();
    let u = match combine {
        Combine::Strips => total.recip().sqrt(),
        Combine::Pictures => {
            let (mut common, mut own) = (0.0, 0.0);
            for share in shares {
                let weight = share.weight() / total;
                let u = share.focus.position_mm.standard_uncertainty;
                common += weight * (u * u - share.own_u_mm * share.own_u_mm).max(0.0).sqrt();
                own += (weight * share.own_u_mm).powi(2);
            }
            (common * common + own).sqrt()
        }
    };
    let chi_squared: f64 =
        shares.iter().map(|share| share.weight() * (share.focus.position_mm.value - mean).powi(2)).sum();
    let freedom = (shares.len() - 1) as f64;
    if chance_of(chi_squared, freedom) >= CHANCE_LEVEL {
        return (Estimate::new(mean, u), None);
    }
    let widening = (chi_squared / freedom).sqrt();
    let positions = shares.iter().map(|share| share.focus.position_mm.value);
    let (first, last) = positions.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), s| (a.min(s), b.max(s)));
    let what = match combine {
        Combine::Strips => "strips",
        Combine::Pictures => "pictures",
    };
    let message = format!(
        "the {what} disagree by more than chance: their finest places lie up to {:.1} mm apart along the strip; the \
         give-or-take was widened {widening:.1} times",
        last - first
    );
    (Estimate::new(mean, u * widening), Some(Caution::new(CautionCode::StripsDisagree, message)))
}

/// Chance of a χ² this large or larger with so many degrees of freedom, at least one.
fn chance_of(chi_squared: f64, freedom: f64) -> f64 {
    ChiSquared::new(freedom).expect("two readings leave a degree of freedom").sf(chi_squared)
}

fn combined_kerf(combine: Combine, shares: &[Share<'_>]) -> Option<Estimate> {
    let kerfs: Vec<Estimate> = shares.iter().filter_map(|share| share.focus.kerf_mm).collect();
    let weights: Vec<f64> = kerfs.iter().map(weight_of).collect();
    let total: f64 = weights.iter().sum();
    let mean_of =
        |f: fn(&Estimate) -> f64| kerfs.iter().zip(&weights).map(|(kerf, w)| f(kerf) * w).sum::<f64>() / total;
    let u = match combine {
        Combine::Strips => total.recip().sqrt(),
        Combine::Pictures => mean_of(|kerf| kerf.standard_uncertainty),
    };
    (!kerfs.is_empty()).then(|| Estimate::new(mean_of(|kerf| kerf.value), u))
}

fn combined_depth(shares: &[Share<'_>]) -> Option<DepthOfFocus> {
    let depths: Vec<(f64, DepthOfFocus)> =
        shares.iter().filter_map(|share| Some((share.weight(), share.focus.depth_of_focus_mm?))).collect();
    let total: f64 = depths.iter().map(|(weight, _)| weight).sum();
    let mean_of =
        |f: fn(&DepthOfFocus) -> f64| depths.iter().map(|(weight, depth)| weight * f(depth)).sum::<f64>() / total;
    let (_, first) = depths.first()?;
    Some(DepthOfFocus {
        fraction: first.fraction,
        below_mm: mean_of(|depth| depth.below_mm),
        above_mm: mean_of(|depth| depth.above_mm),
    })
}

fn too_few(usable: usize, given: usize) -> Refusal {
    Refusal {
        code: RefusalCode::TooFewPictures,
        message: format!("{usable} of {given} pictures gave an answer, and two are needed to combine"),
        advice: "read more pictures of the setup, or put right what the refused ones say".to_owned(),
    }
}

/// `1/u²`; a nanometre stands in for no uncertainty at all, which would leave nothing for the others.
fn weight_of(estimate: &Estimate) -> f64 {
    estimate.standard_uncertainty.max(1e-6).powi(-2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::locate::{Tie, TieSample};
    use crate::photo::Light;
    use crate::reading::{ImageFacts, Waist};
    use crate::setup::parse_toml;

    fn setup(picture: &str) -> Setup {
        let head = "[head]\ngap_low_mm = 17\ngap_high_mm = 2\ngap_u_mm = 0.1\n";
        parse_toml(&format!("[ramp]\ntravel_mm = 150\nflatness_u_mm = 0\n{head}[picture]\n{picture}\n"), None).unwrap()
    }

    fn ends() -> Setup {
        setup("low_end = \"left\"")
    }

    /// A reading with this position, of which `tie_u` stems from the tie to the ramp.
    fn reading(position: f64, u: f64, tie_u: f64) -> Reading {
        let position_mm = Estimate::new(position, u);
        let sample = |along_px: f64| TieSample { along_px, position_mm: along_px, standard_uncertainty_mm: tie_u };
        Reading {
            image: ImageFacts { width_px: 10, height_px: 10, orientation: 1, mm_per_px: None },
            light: Light::Luminance,
            course: None,
            outline_px: None,
            tie: Some(Tie {
                datum: "ends",
                low_px: [0.0, 0.0],
                high_px: [150.0, 0.0],
                marks: Vec::new(),
                samples: vec![sample(0.0), sample(150.0)],
            }),
            stations: Vec::new(),
            fits: Vec::new(),
            line: None,
            waist: Some(Waist {
                position_mm,
                along_px: position,
                place_px: [position, 0.0],
                kerf_px: Estimate::new(3.0, 0.1),
                kerf_mm: None,
                slack_positions_mm: None,
            }),
            outcome: Ok(Focus {
                position_mm,
                height_mm: None,
                spacer_mm: None,
                change_mm: None,
                focal_distance_mm: None,
                kerf_mm: Some(Estimate::new(0.2 + 0.001 * position, 0.01)),
                depth_of_focus_mm: Some(DepthOfFocus { fraction: 0.05, below_mm: position / 100.0, above_mm: 0.5 }),
            }),
            cautions: Vec::new(),
        }
    }

    fn refused() -> Reading {
        let refusal = Refusal { code: RefusalCode::NoLine, message: "m".into(), advice: "a".into() };
        Reading { outcome: Err(refusal), waist: None, tie: None, ..reading(0.0, 1.0, 0.0) }
    }

    fn of(how: Combine, readings: &[Reading], setup: &Setup) -> Combined {
        let names: Vec<String> = (1..=readings.len()).map(|number| format!("{number}.png")).collect();
        let parts: Vec<Part<'_>> =
            names.iter().zip(readings).map(|(name, reading)| Part { name, reading: Some(reading) }).collect();
        combine(how, &parts, setup)
    }

    #[track_caller]
    fn assert_near(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-9, "{found} is not {expected}");
    }

    #[test]
    fn strips_average_the_position_and_not_the_gaps() {
        let readings = [reading(74.0, 0.6, 0.0), reading(75.0, 0.3, 0.0)];
        let combined = of(Combine::Strips, &readings, &ends());
        assert_eq!(combined.used, ["1.png", "2.png"]);
        assert!(combined.cautions.is_empty() && combined.left_out.is_empty());
        let focus = combined.outcome.unwrap();
        // Weights 1 and 4.
        assert_near(focus.position_mm.value, 74.8);
        assert_near(focus.position_mm.standard_uncertainty, 0.3 / 1.25f64.sqrt());
        let span = 150f64.hypot(15.0);
        let t = 74.8 / span;
        let spacer = focus.spacer_mm.unwrap();
        assert_near(spacer.value, 17.0 - 15.0 * t);
        let gaps = 0.1 * (1.0 - t).hypot(t);
        assert_near(spacer.standard_uncertainty, gaps.hypot(15.0 / span * 0.3 / 1.25f64.sqrt()));
        // Kerfs of equal weight, depths with the positions' weights.
        let kerf = focus.kerf_mm.unwrap();
        assert_near(kerf.value, 0.2745);
        assert_near(kerf.standard_uncertainty, 0.01 / 2f64.sqrt());
        assert_near(focus.depth_of_focus_mm.unwrap().below_mm, 0.748);
        assert_eq!(focus.depth_of_focus_mm.unwrap().fraction, 0.05);
    }

    #[test]
    fn pictures_of_one_strip_share_its_grain() {
        let readings = [reading(75.0, 0.5, 0.3), reading(75.0, 0.5, 0.3)];
        let u =
            |setup: &Setup| of(Combine::Pictures, &readings, setup).outcome.unwrap().position_mm.standard_uncertainty;
        // With the line's ends everything stems from the strip: two pictures are no better than one.
        assert_near(u(&ends()), 0.5);
        // With points the tie's 0.3 is each picture's own, and the strip's 0.4 is common.
        let points = setup("datum = \"points\"\npoints_px = [[0, 0], [150, 0]]");
        assert_near(u(&points), 0.4f64.hypot(0.3 / 2f64.sqrt()));
        let strips = of(Combine::Strips, &readings, &points).outcome.unwrap();
        assert_near(strips.position_mm.standard_uncertainty, 0.5 / 2f64.sqrt());
    }

    #[test]
    fn disagreement_beyond_chance_widens() {
        // χ² = d²/(2u²) for two; 6.635 is its 1 % point with one degree of freedom.
        let apart = |chi_squared: f64| {
            let d = (2.0 * chi_squared).sqrt() * 0.2;
            of(Combine::Strips, &[reading(75.0, 0.2, 0.0), reading(75.0 + d, 0.2, 0.0)], &ends())
        };
        let agree = apart(6.62);
        assert!(agree.cautions.is_empty());
        assert_near(agree.outcome.unwrap().position_mm.standard_uncertainty, 0.2 / 2f64.sqrt());
        let disagree = apart(6.65);
        assert_eq!(disagree.cautions[0].code, CautionCode::StripsDisagree);
        assert_near(disagree.outcome.unwrap().position_mm.standard_uncertainty, 0.2 / 2f64.sqrt() * 6.65f64.sqrt());
    }

    #[test]
    fn what_gave_no_answer_is_left_out_by_name() {
        let combined = of(Combine::Strips, &[reading(75.0, 0.2, 0.0), refused(), reading(75.1, 0.2, 0.0)], &ends());
        assert_eq!(combined.used, ["1.png", "3.png"]);
        assert_eq!(combined.left_out, ["2.png"]);
        assert_eq!(combined.cautions[0].code, CautionCode::SomeLeftOut);
        assert!(combined.cautions[0].message.contains("2.png"));
    }

    #[test]
    fn one_picture_is_too_few() {
        let combined = of(Combine::Strips, &[reading(75.0, 0.2, 0.0), refused()], &ends());
        assert_eq!(combined.outcome.unwrap_err().code, RefusalCode::TooFewPictures);
        assert_eq!(combined.used, ["1.png"]);
    }

    #[test]
    fn conversion_raises_its_own_doubts() {
        let combined = of(Combine::Strips, &[reading(149.0, 0.2, 0.0), reading(149.1, 0.2, 0.0)], &ends());
        assert_eq!(combined.cautions[0].code, CautionCode::SpacerSmall);
    }
}
