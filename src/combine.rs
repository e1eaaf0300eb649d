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
