//! Stage 6: from the finest place along the strip to heights, the spacer, and what may be doubted about them.
//!
//! The strip's surface between the datums is a straight line or, where its middle was measured, the quadratic through
//! three heights; `t = position/span` counts along it from the low datum. Where the middle was not measured, the bow
//! `4t(1−t)·b` has the value zero and the standard uncertainty `flatness_u_mm`. Every result is one function of the
//! independent things measured, and its uncertainty comes from [`propagate`]; blocks that share an angle and a tip enter
//! with that one angle and that one tip, so that what they have in common is neither averaged away nor counted twice.

use crate::cautions::{Caution, CautionCode};
use crate::estimate::{Estimate, propagate};
use crate::reading::{DepthOfFocus, Focus};
use crate::setup::incline::{Base, Triangle};
use crate::setup::{Datum, GapBlocks, HeadPlace, Setup, Steepness};

#[cfg(test)]
mod monte_carlo;

/// Below this the nozzle is so near the work that smoke and spatter reach it, in mm (common practice, no source).
const SMALL_SPACER_MM: f64 = 2.5;
/// How far the focal distance may lie from what is printed on the lens: the larger of the two.
const FOCAL_LENGTH_TOLERANCE_MM: f64 = 3.0;
const FOCAL_LENGTH_TOLERANCE: f64 = 0.04;
/// Two rises that differ by more than this many standard uncertainties do not describe one ramp.
const RISES_DIFFER_BEYOND: f64 = 3.0;
/// A bow worth telling although it is allowed for, in mm.
const NOTABLE_BOW_MM: f64 = 0.5;

/// Converts the finest place into the bench's terms.
///
/// `position_mm` counts along the strip's surface from the low datum; `slack_positions_mm` are the two positions between
/// which the fitted kerf stays within `fraction` of its narrowest. A field of the [`Focus`] is `None` where the setup
/// does not carry it. Cautions come in the order of their codes.
///
/// With `t = position/span`, `s` the position and `b` the bow (METHOD: JCGM 100, uncorrelated inputs):
///
/// - height: `u² = (1−t)²·u²(low) + t²·u²(high) + (rise/span)²·u²(s) + (4t(1−t))²·u²(b)`;
/// - spacer from the nozzle's height: the same and `u²(nozzle)`;
/// - from two gaps: `(1−t)²·u²(gap low) + t²·u²(gap high) + (rise/span)²·u²(s) + (4t(1−t))²·u²(b)`;
/// - from one gap and the rise: `u²(gap) + t²·u²(rise)`, or `(1−t)²` for the high gap, and the last two terms;
/// - from a block at `β = block_at/travel`: `u²(block)/cos²θ + (t − β − (tip/2 + block·sin θ)/travel)²·u²(rise) +
///   (rise/travel)²·u²(block_at) + (tan θ/2)²·u²(tip) + (rise/span)²·u²(s) + (4t(1−t) − 4β(1−β))²·u²(b)`;
/// - with the middle measured: `Σ Lᵢ²·uᵢ²` with `L = (1−t)(1−2t), 4t(1−t), t(2t−1)` and no bow.
///
/// ```
/// use narrows::estimate::Estimate;
/// let setup = narrows::setup::parse_toml(
///     "[ramp]\ntravel_mm = 150\nlow_height_mm = 3\nhigh_height_mm = 18\n[head]\nnozzle_height_mm = 20\n\
///      [picture]\nlow_end = \"left\"\n",
///     None,
/// )?;
/// let half_way = Estimate::new(setup.ramp.span_mm / 2.0, 0.0);
/// let (focus, cautions) = narrows::height::convert(half_way, None, None, 0.05, &setup);
/// assert!((focus.spacer_mm.unwrap().value - 9.5).abs() < 1e-12);
/// assert!(cautions.is_empty());
/// # Ok::<(), narrows::setup::SetupError>(())
/// ```
pub fn convert(
    position_mm: Estimate,
    kerf_mm: Option<Estimate>,
    slack_positions_mm: Option<[f64; 2]>,
    fraction: f64,
    setup: &Setup,
) -> (Focus, Vec<Caution>) {
    let spacer_mm = spacer(position_mm, setup);
    let focus = Focus {
        position_mm,
        height_mm: height(position_mm, setup),
        spacer_mm,
        change_mm: spacer_mm.and_then(|spacer| change(spacer, setup)),
        focal_distance_mm: spacer_mm
            .zip(setup.head.lens_to_nozzle)
            .map(|inputs| propagate(inputs.into(), |[spacer, offset]| spacer + offset)),
        kerf_mm,
        depth_of_focus_mm: slack_positions_mm.map(|slack| depth_of_focus(position_mm.value, slack, fraction, setup)),
    };
    let cautions = [
        ends_swapped(&focus, setup),
        strip_bows(setup),
        rim_contact(setup),
        focal_length_differs(&focus, setup),
        spacer_small(&focus),
        rises_differ(setup),
    ];
    (focus, cautions.into_iter().flatten().collect())
}

/// A profile between the datums: its two ends, and its middle or its bow.
#[derive(Clone, Copy)]
struct Profile {
    low: Estimate,
    high: Estimate,
    /// Half-way, where measured; else the bow, zero with its uncertainty.
    middle: Estimate,
    middle_is_measured: bool,
}

impl Profile {
    fn new(low: Estimate, high: Estimate, middle: Option<Estimate>, flatness_u_mm: f64) -> Self {
        Self {
            low,
            high,
            middle: middle.unwrap_or(Estimate::new(0.0, flatness_u_mm)),
            middle_is_measured: middle.is_some(),
        }
    }

    /// The strip's surface above its low datum or, where heights were given, above their reference.
    fn of_surface(setup: &Setup) -> Self {
        let ramp = &setup.ramp;
        let [low, high] = ramp.heights.unwrap_or([Estimate::new(0.0, 0.0), ramp.rise]);
        Self::new(low, high, ramp.middle_height, ramp.flatness_u_mm)
    }

    /// Value at the fraction `t` for given ends and middle: the quadratic through three, in its bowed form.
    fn at(self, t: f64, [low, high, middle]: [f64; 3]) -> f64 {
        let bow = if self.middle_is_measured { middle - f64::midpoint(low, high) } else { middle };
        low + (high - low) * t + 4.0 * t * (1.0 - t) * bow
    }

    /// The bow at the middle, where it was measured.
    fn bow(self) -> Option<Estimate> {
        self.middle_is_measured
            .then(|| propagate([self.low, self.high, self.middle], |[low, high, mid]| mid - f64::midpoint(low, high)))
    }

    fn inputs(self) -> [Estimate; 3] {
        [self.low, self.high, self.middle]
    }

    /// Value at a position on the surface.
    fn estimate_at(self, position: Estimate, span_mm: f64) -> Estimate {
        let [low, high, middle] = self.inputs();
        propagate([low, high, middle, position], |[low, high, middle, s]| self.at(s / span_mm, [low, high, middle]))
    }
}

/// The side of the triangle that was known beside the rise.
fn base(setup: &Setup) -> Base {
    match setup.picture.datum {
        Datum::Strip => Base::Span(setup.ramp.span_mm),
        Datum::Ends | Datum::Marks { .. } | Datum::Points { .. } => Base::Travel(setup.ramp.travel_mm),
    }
}

fn height(position: Estimate, setup: &Setup) -> Option<Estimate> {
    setup.ramp.heights?;
    Some(Profile::of_surface(setup).estimate_at(position, setup.ramp.span_mm))
}

/// The gap at the finest place; `None` where the head's place is unknown.
fn spacer(position: Estimate, setup: &Setup) -> Option<Estimate> {
    let flatness = setup.ramp.flatness_u_mm;
    let span = setup.ramp.span_mm;
    Some(match setup.head.place.as_ref()? {
        HeadPlace::Gaps { by_block: Some(blocks), .. } => match (blocks.low, blocks.high) {
            (Some(low), Some(high)) => spacer_from_two_blocks(position, low, high, blocks, setup),
            (Some(low), None) => spacer_from_block(position, low, BlockPlace::Low, blocks.tip_diameter, setup),
            (None, high) => spacer_from_block(position, high?, BlockPlace::High, blocks.tip_diameter, setup),
        },
        HeadPlace::Gaps { low: Some(low), high: Some(high), middle, by_block: None } => {
            Profile::new(*low, *high, *middle, flatness).estimate_at(position, span)
        }
        HeadPlace::Gaps { low: Some(low), high: None, .. } => spacer_from_gap(position, *low, 0.0, setup),
        HeadPlace::Gaps { low: None, high, .. } => spacer_from_gap(position, (*high)?, 1.0, setup),
        HeadPlace::Block { block, block_at, tip_diameter, .. } => {
            spacer_from_block(position, *block, BlockPlace::AtTravel(*block_at), *tip_diameter, setup)
        }
        HeadPlace::NozzleHeight(nozzle) => {
            let surface = Profile::of_surface(setup);
            let [low, high, middle] = surface.inputs();
            propagate([*nozzle, low, high, middle, position], |[nozzle, low, high, middle, s]| {
                nozzle - surface.at(s / span, [low, high, middle])
            })
        }
    })
}

/// One gap, `gap_at` 0 over the low datum and 1 over the high one, and the surface between there and the finest place.
fn spacer_from_gap(position: Estimate, gap: Estimate, gap_at: f64, setup: &Setup) -> Estimate {
    let span = setup.ramp.span_mm;
    let surface = Profile::of_surface(setup);
    let [low, high, middle] = surface.inputs();
    propagate([gap, low, high, middle, position], |[gap, low, high, middle, s]| {
        gap - (surface.at(s / span, [low, high, middle]) - surface.at(gap_at, [low, high, middle]))
    })
}

/// Where a block slid under the tip.
#[derive(Clone, Copy)]
enum BlockPlace {
    Low,
    High,
    /// At this head travel from the low datum.
    AtTravel(Estimate),
}

fn spacer_from_block(
    position: Estimate,
    block: Estimate,
    place: BlockPlace,
    tip_diameter: Estimate,
    setup: &Setup,
) -> Estimate {
    let span = setup.ramp.span_mm;
    let base = base(setup);
    let surface = Profile::of_surface(setup);
    let [low, high, middle] = surface.inputs();
    let block_at = match place {
        BlockPlace::AtTravel(at) => at,
        BlockPlace::Low | BlockPlace::High => Estimate::new(0.0, 0.0),
    };
    let inputs = [block, block_at, tip_diameter, low, high, middle, position];
    propagate(inputs, |[block, block_at, tip, low, high, middle, s]| {
        let slope = base.with_rise(high - low);
        let beta = match place {
            BlockPlace::Low => 0.0,
            BlockPlace::High => 1.0,
            BlockPlace::AtTravel(_) => block_at / slope.travel_mm,
        };
        let climb = surface.at(s / span, [low, high, middle]) - surface.at(beta, [low, high, middle]);
        slope.gap_over_block(block, tip) - climb
    })
}

/// Two gaps by block. Their angle comes from the blocks themselves where nothing else says how steep the ramp was.
fn spacer_from_two_blocks(
    position: Estimate,
    low: Estimate,
    high: Estimate,
    blocks: &GapBlocks,
    setup: &Setup,
) -> Estimate {
    let span = setup.ramp.span_mm;
    let base = base(setup);
    let profile = Profile::new(low, high, blocks.middle, setup.ramp.flatness_u_mm);
    let [low, high, middle] = profile.inputs();
    let from_blocks = setup.ramp.steepness == Steepness::Gaps;
    let inputs = [low, high, middle, blocks.tip_diameter, setup.ramp.rise, position];
    propagate(inputs, |[low, high, middle, tip, rise, s]| {
        let slope = if from_blocks { base.with_block_difference(low - high) } else { base.with_rise(rise) };
        let gap = |block| slope.gap_over_block(block, tip);
        let middle = if profile.middle_is_measured { gap(middle) } else { middle };
        profile.at(s / span, [gap(low), gap(high), middle])
    })
}

fn change(spacer: Estimate, setup: &Setup) -> Option<Estimate> {
    let in_use = Estimate::new(setup.head.spacer_in_use_mm?, setup.head.spacer_in_use_u_mm);
    Some(propagate([spacer, in_use], |[spacer, in_use]| spacer - in_use))
}

/// Heights from the focus down and up to where the kerf leaves the fraction.
fn depth_of_focus(position_mm: f64, slack_positions_mm: [f64; 2], fraction: f64, setup: &Setup) -> DepthOfFocus {
    let span = setup.ramp.span_mm;
    let surface = match &setup.head.place {
        // Where only the gaps tell of the bow, the surface is the gaps upside down.
        Some(HeadPlace::Gaps { low: Some(low), high: Some(high), middle: Some(middle), .. })
            if setup.ramp.middle_height.is_none() =>
        {
            let upside_down = |gap: &Estimate| Estimate::new(-gap.value, gap.standard_uncertainty);
            Profile::new(upside_down(low), upside_down(high), Some(upside_down(middle)), 0.0)
        }
        _ => Profile::of_surface(setup),
    };
    let height = |s: f64| surface.at(s / span, surface.inputs().map(|input| input.value));
    let [a, b] = slack_positions_mm;
    let focus = height(position_mm);
    DepthOfFocus { fraction, below_mm: focus - height(a.min(b)), above_mm: height(a.max(b)) - focus }
}

/// Read with low and high exchanged, would the answer fit the block in use, while as read it does not?
fn ends_swapped(focus: &Focus, setup: &Setup) -> Option<Caution> {
    let as_read = focus.change_mm?;
    let mirrored = Estimate::new(setup.ramp.span_mm - focus.position_mm.value, focus.position_mm.standard_uncertainty);
    let mirrored_spacer = spacer(mirrored, setup)?;
    let other_way = change(mirrored_spacer, setup)?;
    let fits = |change: Estimate| change.value.abs() <= change.expanded();
    if fits(as_read) || !fits(other_way) {
        return None;
    }
    Some(Caution::new(
        CautionCode::EndsSwapped,
        format!(
            "with low and high end exchanged the block would be {:.1} mm, which fits the {} mm block in use, and as read \
             it does not",
            mirrored_spacer.value, setup.head.spacer_in_use_mm?
        ),
    ))
}

fn strip_bows(setup: &Setup) -> Option<Caution> {
    let of_heights = setup.ramp.heights.and_then(|_| Profile::of_surface(setup).bow());
    let of_gaps = match &setup.head.place {
        Some(HeadPlace::Gaps { low: Some(low), high: Some(high), middle, .. }) => {
            // A wider gap in the middle is a lower strip there.
            Profile::new(*low, *high, *middle, 0.0).bow().map(|bow| Estimate::new(-bow.value, bow.standard_uncertainty))
        }
        _ => None,
    };
    let is_notable = |bow: &Estimate| bow.value.abs() > bow.expanded() || bow.value.abs() >= NOTABLE_BOW_MM;
    let bow = [of_heights, of_gaps].into_iter().flatten().find(is_notable)?;
    let direction = if bow.value > 0.0 { "up" } else { "down" };
    Some(Caution::new(
        CautionCode::StripBows,
        format!(
            "the strip bows {direction} by {:.1} mm in the middle, give or take {:.1} mm; this was allowed for",
            bow.value.abs(),
            bow.expanded()
        ),
    ))
}

fn rim_contact(setup: &Setup) -> Option<Caution> {
    let tip = match setup.head.place.as_ref()? {
        HeadPlace::Block { tip_diameter, tip_assumed: true, .. } => tip_diameter,
        HeadPlace::Gaps { by_block: Some(GapBlocks { tip_diameter, tip_assumed: true, .. }), .. } => tip_diameter,
        _ => return None,
    };
    let slope = setup.ramp.rise.value / setup.ramp.travel_mm;
    Some(Caution::new(
        CautionCode::RimContact,
        format!(
            "a block on a slope touches the nozzle's uphill rim first; for a tip {} mm across, which was assumed, this \
             adds {:.2} mm, give or take {:.2} mm",
            tip.value,
            tip.value / 2.0 * slope,
            tip.expanded() / 2.0 * slope
        ),
    ))
}

fn focal_length_differs(focus: &Focus, setup: &Setup) -> Option<Caution> {
    let found = focus.focal_distance_mm?;
    let nominal = setup.head.nominal_focal_length_mm?;
    let tolerance = FOCAL_LENGTH_TOLERANCE_MM.max(FOCAL_LENGTH_TOLERANCE * nominal);
    ((found.value - nominal).abs() > tolerance).then(|| {
        Caution::new(
            CautionCode::FocalLengthDiffers,
            format!("the focal distance comes out at {:.1} mm, and {nominal} mm is printed on the lens", found.value),
        )
    })
}

fn spacer_small(focus: &Focus) -> Option<Caution> {
    let spacer = focus.spacer_mm?.value;
    let message = if spacer <= 0.0 {
        format!(
            "the block would be {spacer:.1} mm thick, which no block is: the nozzle's place over the strip is wrong, or \
             its tip would be below the work in focus"
        )
    } else {
        format!("a block of {spacer:.1} mm leaves the nozzle very near the work, where it may touch")
    };
    (spacer < SMALL_SPACER_MM).then(|| Caution::new(CautionCode::SpacerSmall, message))
}

/// Two gaps beside another way of saying how steep: do they tell of the same ramp?
fn rises_differ(setup: &Setup) -> Option<Caution> {
    let stated = setup.ramp.rise;
    let Some(HeadPlace::Gaps { low: Some(low), high: Some(high), by_block, .. }) = &setup.head.place else {
        return None;
    };
    if setup.ramp.steepness == Steepness::Gaps {
        return None;
    }
    let Triangle { angle, .. } = base(setup).with_rise(stated.value);
    let from_gaps = match by_block {
        // The tip's part is the same in both gaps and drops out.
        Some(GapBlocks { low: Some(low), high: Some(high), .. }) => {
            propagate([*low, *high], |[low, high]| (low - high) / angle.cos())
        }
        _ => propagate([*low, *high], |[low, high]| low - high),
    };
    let difference = propagate([stated, from_gaps], |[stated, gaps]| gaps - stated);
    (difference.value.abs() > RISES_DIFFER_BEYOND * difference.standard_uncertainty).then(|| {
        Caution::new(
            CautionCode::RisesDiffer,
            format!(
                "the ramp rises by {:.1} mm as stated and by {:.1} mm as the gaps tell; the block comes from the gaps \
                 alone",
                stated.value, from_gaps.value
            ),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::parse_toml;

    fn setup(ramp: &str, head: &str) -> Setup {
        let text = format!("[ramp]\n{ramp}\n[head]\n{head}\n[picture]\nlow_end = \"left\"\n");
        parse_toml(&text, None).unwrap_or_else(|error| panic!("{error}\n{text}"))
    }

    /// Converts at the fraction `t` of the span.
    fn at(t: f64, u_s: f64, setup: &Setup) -> (Focus, Vec<Caution>) {
        convert(Estimate::new(t * setup.ramp.span_mm, u_s), None, None, 0.05, setup)
    }

    fn codes(cautions: &[Caution]) -> Vec<CautionCode> {
        cautions.iter().map(|caution| caution.code).collect()
    }

    #[track_caller]
    fn assert_near(found: f64, expected: f64) {
        assert!((found - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{found} is not {expected}");
    }

    const HEIGHTS: &str =
        "travel_mm = 150\nlow_height_mm = 3\nhigh_height_mm = 18\nheight_u_mm = 0.1\nflatness_u_mm = 0.2";
    const RISE: &str = "travel_mm = 150\nrise_mm = 15\nheight_u_mm = 0.1\nflatness_u_mm = 0.2";

    #[test]
    fn a_nozzle_height_worked_by_hand() {
        let setup =
            setup(HEIGHTS, "nozzle_height_mm = 20\nlens_to_nozzle_mm = 41.8\nspacer_in_use_mm = 7\ngap_u_mm = 0.05");
        let (focus, cautions) = at(0.6, 0.5, &setup);
        let span = (150.0f64 * 150.0 + 15.0 * 15.0).sqrt();
        let height = focus.height_mm.unwrap();
        assert_near(height.value, 12.0);
        let variance = 0.16 * 0.01 + 0.36 * 0.01 + (15.0 / span * 0.5f64).powi(2) + (0.96f64 * 0.2).powi(2);
        assert_near(height.standard_uncertainty, variance.sqrt());
        let spacer = focus.spacer_mm.unwrap();
        assert_near(spacer.value, 8.0);
        assert_near(spacer.standard_uncertainty, (variance + 0.01).sqrt());
        let change = focus.change_mm.unwrap();
        assert_near(change.value, 1.0);
        assert_near(change.standard_uncertainty, (variance + 0.01 + 0.0025).sqrt());
        let focal = focus.focal_distance_mm.unwrap();
        assert_near(focal.value, 49.8);
        assert_near(focal.standard_uncertainty, (variance + 0.01 + 0.09).sqrt());
        assert!(cautions.is_empty(), "{cautions:?}");
    }

    #[test]
    fn gaps_worked_by_hand() {
        for t in [0.1, 0.4, 0.9] {
            let bow = (4.0 * t * (1.0 - t) * 0.2f64).powi(2);
            let both =
                setup("travel_mm = 150\nflatness_u_mm = 0.2", "gap_low_mm = 17\ngap_high_mm = 2\ngap_u_mm = 0.1");
            let slope = (both.ramp.rise.value / both.ramp.span_mm * 0.5).powi(2);
            let spacer = at(t, 0.5, &both).0.spacer_mm.unwrap();
            assert_near(spacer.value, 17.0 - 15.0 * t);
            let ends = ((1.0 - t) * 0.1).powi(2) + (t * 0.1).powi(2);
            assert_near(spacer.standard_uncertainty, (ends + slope + bow).sqrt());
            assert_eq!(at(t, 0.5, &both).0.height_mm, None);

            let low = setup(RISE, "gap_low_mm = 17\ngap_u_mm = 0.1");
            let spacer = at(t, 0.5, &low).0.spacer_mm.unwrap();
            assert_near(spacer.value, 17.0 - 15.0 * t);
            assert_near(spacer.standard_uncertainty, (0.01 + (t * 0.1).powi(2) + slope + bow).sqrt());

            let high = setup(RISE, "gap_high_mm = 2\ngap_u_mm = 0.1");
            let spacer = at(t, 0.5, &high).0.spacer_mm.unwrap();
            assert_near(spacer.value, 17.0 - 15.0 * t);
            assert_near(spacer.standard_uncertainty, (0.01 + ((1.0 - t) * 0.1).powi(2) + slope + bow).sqrt());
        }
    }

    #[test]
    fn a_block_worked_by_hand() {
        let setup = setup(
            &format!("{RISE}\nmeasured_with = \"rule\""),
            "block_mm = 7\nblock_at_mm = 60\ntip_diameter_mm = 8\ngap_u_mm = 0.05",
        );
        let (tan, t, beta) = (0.1f64, 0.7, 0.4);
        let (sin, cos) = tan.atan().sin_cos();
        let spacer = at(t, 0.5, &setup).0.spacer_mm.unwrap();
        assert_near(spacer.value, 7.0 / cos + 0.4 - 15.0 * (t - beta));
        let variance = (0.05 / cos).powi(2)
            + ((t - beta - (4.0 + 7.0 * sin) / 150.0) * 0.1).powi(2)
            + (0.1f64 * 0.3).powi(2)
            + (tan / 2.0 * 0.3).powi(2)
            + (15.0 / setup.ramp.span_mm * 0.5).powi(2)
            + ((0.84f64 - 0.96) * 0.2).powi(2);
        // The closed form is of first order; half a difference over one standard uncertainty is not exactly that.
        assert!((spacer.standard_uncertainty / variance.sqrt() - 1.0).abs() < 1e-4, "{spacer:?} {}", variance.sqrt());
    }

    #[test]
    fn a_measured_middle_replaces_the_flatness() {
        let t: f64 = 0.3;
        let [l, m, h] = [(1.0 - t) * (1.0 - 2.0 * t), 4.0 * t * (1.0 - t), t * (2.0 * t - 1.0)];
        let setup =
            setup(&format!("{HEIGHTS}\nmiddle_height_mm = 10.9"), "nozzle_height_mm = 20\nspacer_in_use_mm = 13");
        let (focus, cautions) = at(t, 0.0, &setup);
        let height = focus.height_mm.unwrap();
        assert_near(height.value, l * 3.0 + m * 10.9 + h * 18.0);
        assert_near(height.standard_uncertainty, 0.1 * (l * l + m * m + h * h).sqrt());
        // 0.4 mm of bow with 0.12 mm of standard uncertainty.
        assert_eq!(codes(&cautions), [CautionCode::StripBows]);
        assert!(cautions[0].message.contains("up by 0.4 mm"), "{}", cautions[0].message);
    }

    #[test]
    fn a_middle_gap_bends_the_gaps() {
        let t: f64 = 0.3;
        let [l, m, h] = [(1.0 - t) * (1.0 - 2.0 * t), 4.0 * t * (1.0 - t), t * (2.0 * t - 1.0)];
        let setup = setup("travel_mm = 150", "gap_low_mm = 17\ngap_high_mm = 2\nmiddle_gap_mm = 10\ngap_u_mm = 0.1");
        let (focus, cautions) = at(t, 0.0, &setup);
        let spacer = focus.spacer_mm.unwrap();
        assert_near(spacer.value, l * 17.0 + m * 10.0 + h * 2.0);
        assert_near(spacer.standard_uncertainty, 0.1 * (l * l + m * m + h * h).sqrt());
        assert!(cautions[0].message.contains("down by 0.5 mm"), "{}", cautions[0].message);
    }

    #[test]
    fn gaps_beside_heights_leave_each_its_own() {
        let setup = setup(HEIGHTS, "gap_low_mm = 16\ngap_high_mm = 2\ngap_u_mm = 0.1\nspacer_in_use_mm = 9");
        let (focus, cautions) = at(0.5, 0.0, &setup);
        assert_near(focus.spacer_mm.unwrap().value, 9.0);
        assert_near(focus.height_mm.unwrap().value, 10.5);
        // Rises of 15 and 14, each known to 0.14: five standard uncertainties apart.
        assert_eq!(codes(&cautions), [CautionCode::RisesDiffer]);
    }

    #[test]
    fn an_assumed_tip_is_uncertain_and_says_so() {
        let setup = setup(RISE, "block_mm = 7\nblock_at_mm = 75\ngap_u_mm = 0");
        let (focus, cautions) = at(0.5, 0.0, &setup);
        let spacer = focus.spacer_mm.unwrap();
        assert_near(spacer.value, 7.0 / 0.1f64.atan().cos() + 0.3);
        // The tip's 2.5 mm on a slope of one in ten, halved, and block_at's 0.3 mm on the same slope, and little else.
        let expected = (0.125f64.powi(2) + 0.03f64.powi(2) + ((3.0 + 0.7) / 150.0 * 0.1f64).powi(2)).sqrt();
        assert!((spacer.standard_uncertainty - expected).abs() < 1e-4, "{spacer:?} {expected}");
        assert_eq!(codes(&cautions), [CautionCode::RimContact]);
    }

    #[test]
    fn depth_of_focus_counts_down_and_up() {
        let setup = setup(HEIGHTS, "");
        let span = setup.ramp.span_mm;
        let slack = Some([0.55 * span, 0.40 * span]);
        let (focus, _) = convert(Estimate::new(0.5 * span, 0.1), None, slack, 0.05, &setup);
        let depth = focus.depth_of_focus_mm.unwrap();
        assert_near(depth.below_mm, 1.5);
        assert_near(depth.above_mm, 0.75);
        assert_eq!(depth.fraction, 0.05);
    }

    #[test]
    fn exchanged_ends_are_noticed_by_the_block_in_use() {
        let setup = setup(RISE, "gap_low_mm = 17\ngap_u_mm = 0.1\nspacer_in_use_mm = 7");
        assert_eq!(codes(&at(1.0 / 3.0, 0.5, &setup).1), [CautionCode::EndsSwapped]);
        assert!(at(2.0 / 3.0, 0.5, &setup).1.is_empty());
        assert!(at(0.2, 0.5, &setup).1.is_empty());
    }

    #[test]
    fn a_small_block_and_another_lens_are_noticed() {
        let head = |gap: f64| format!("gap_low_mm = {gap}\nlens_to_nozzle_mm = 44\nnominal_focal_length_mm = 50.8");
        let (_, cautions) = at(0.5, 0.1, &setup(RISE, &head(9.9)));
        assert_eq!(codes(&cautions), [CautionCode::FocalLengthDiffers, CautionCode::SpacerSmall]);
        assert!(at(0.5, 0.1, &setup(RISE, &head(17.0))).1.is_empty());
        let (_, cautions) = at(0.5, 0.1, &setup(RISE, "gap_low_mm = 4"));
        assert!(cautions[0].message.contains("no block"), "{cautions:?}");
        // 4 % of a long lens is more than 3 mm.
        let long = "gap_low_mm = 17\nlens_to_nozzle_mm = 95.8\nnominal_focal_length_mm = 101.6";
        assert!(at(0.5, 0.1, &setup(RISE, long)).1.is_empty());
    }

    #[test]
    fn without_a_head_there_is_no_spacer() {
        let (focus, _) = at(0.5, 0.1, &setup(RISE, ""));
        assert_eq!((focus.height_mm, focus.spacer_mm, focus.change_mm), (None, None, None));
    }
}
