//! What the fields mean together: the one conversion from [`RawSetup`] to [`Setup`].

use super::error::{Given, Missing, Need, SetupError};
use super::field::{Field, Section};
use super::incline::{Base, Triangle};
use super::raw::{RawSetup, parse_ramp_file};
use super::{Burn, Datum, GapBlocks, Head, HeadPlace, PictureSetup, Ramp, Setup, Side, Steepness};
use crate::estimate::Estimate;

/// Standard uncertainty of a single length by what it was measured with, in mm (common practice, no source).
const CALIPER_U_MM: f64 = 0.1;
const RULE_U_MM: f64 = 0.3;
const BLOCKS_U_MM: f64 = 0.05;
/// Standard uncertainty of an angle where none is given, in degrees.
const INCLINE_U_DEG: f64 = 0.1;
/// Standard uncertainty of the bow at the middle where none is given: a thin strip propped at its ends bows by
/// tenths of a millimetre.
const FLATNESS_U_MM: f64 = 0.1;
/// Standard uncertainty of a given point's coordinate where none is given, in pixels.
const POINTS_U_PX: f64 = 0.5;
/// A tip that was not measured: common tips are 4 to 8 mm across, some a little more or less.
const ASSUMED_TIP_MM: Estimate = Estimate::new(6.0, 2.5);
/// How closely the marks' pitch has to divide the travel, in mm.
const PITCH_TOLERANCE_MM: f64 = 0.05;
/// Numbers the last index mark can have.
const LAST_MARK: std::ops::RangeInclusive<usize> = 6..=30;

/// Standard uncertainties of what was measured, in mm.
struct Uncertainties {
    /// Of every length that has none of its own.
    length: f64,
    height: f64,
    gap: f64,
}

impl RawSetup {
    /// Checks the fields together and computes the incline.
    ///
    /// # Errors
    /// See [`SetupError`].
    pub fn check(&self) -> Result<Setup, SetupError> {
        let u = self.uncertainties();
        let datum_name = match self.text(Field::Datum) {
            Some("strip") => "strip",
            Some("marks") => "marks",
            Some("points") => "points",
            _ => "ends",
        };
        let base = self.base(datum_name)?;
        let stated = self.stated_steepness(base, &u)?;
        let (place, from_gaps) = self.head_place(base, stated.as_ref(), &u)?;
        let Some(incline) = stated.or(from_gaps) else {
            return Err(SetupError::NoSteepness { section_line: self.section_line(Section::Ramp) });
        };
        let Triangle { travel_mm, span_mm, .. } = incline.triangle;
        let strip_length_mm = self.number(Field::StripLength);
        let strip_width_mm = self.number(Field::StripWidth);
        if datum_name != "strip" {
            self.both_or_neither(Field::StripLength, Field::StripWidth)?;
        }
        if let (Base::Span(_), Some(block_at), Some(block_at_mm)) =
            (base, self.given(Field::BlockAt), self.number(Field::BlockAt))
            && block_at_mm > travel_mm
        {
            return Err(SetupError::BlockOffStrip { block_at, block_at_mm, travel_mm });
        }
        let ramp = Ramp {
            travel_mm,
            span_mm,
            rise: Estimate::new(incline.triangle.rise_mm, incline.rise_u_mm),
            steepness: incline.steepness,
            heights: incline.heights,
            middle_height: incline.middle_height,
            flatness_u_mm: self.number(Field::FlatnessU).unwrap_or(FLATNESS_U_MM),
            strip_length_mm,
            strip_width_mm,
        };
        let picture = self.picture(datum_name, travel_mm)?;
        Ok(Setup { ramp, head: self.head(place, &u), burn: self.burn(), picture })
    }

    fn uncertainties(&self) -> Uncertainties {
        let length = match self.text(Field::MeasuredWith) {
            Some("caliper") => CALIPER_U_MM,
            Some("blocks") => BLOCKS_U_MM,
            _ => RULE_U_MM,
        };
        Uncertainties {
            length,
            height: self.number(Field::HeightU).unwrap_or(length),
            gap: self.number(Field::GapU).unwrap_or(length),
        }
    }

    /// The side of the triangle that the datum settles.
    fn base(&self, datum_name: &'static str) -> Result<Base, SetupError> {
        if datum_name == "strip" {
            if let Some(travel) = self.given(Field::Travel) {
                return Err(SetupError::TravelWithStrip { travel });
            }
            let need = Need::Datum("strip", self.given(Field::Datum));
            return self.needed(Field::StripLength, need).map(Base::Span);
        }
        self.needed(Field::Travel, Need::Always).map(Base::Travel)
    }

    /// Everything that says how steep the ramp was, except the gaps.
    fn stated_steepness(&self, base: Base, u: &Uncertainties) -> Result<Option<Incline>, SetupError> {
        let first_of = |fields: &[Field]| fields.iter().find_map(|field| self.given(*field));
        let heights = first_of(&[Field::LowHeight, Field::HighHeight]);
        let prop = first_of(&[Field::Prop, Field::PropAt]);
        let ramp_file = self.given(Field::RampFile);
        let ways = [heights, self.given(Field::Rise), self.given(Field::Incline), prop, ramp_file];
        let mut said = ways.into_iter().flatten();
        if let (Some(first), Some(second)) = (said.next(), said.next()) {
            return Err(SetupError::TwoWays { first, second });
        }
        if let (Some(first), Some(second)) = (ramp_file, self.given(Field::InclineU)) {
            return Err(SetupError::TwoWays { first, second });
        }
        for dependent in [Field::MiddleHeight, Field::NozzleHeight] {
            if let (Some(given), None) = (self.given(dependent), heights) {
                return Err(self.missing(Field::LowHeight, Need::By(given)));
            }
        }
        if let Some(given) = heights {
            return self.incline_of_heights(base, given, u).map(Some);
        }
        let incline = if let Some(rise_mm) = self.number(Field::Rise) {
            Incline::new(Steepness::Rise, base.with_rise(rise_mm), u.height)
        } else if let Some(degrees) = self.number(Field::Incline) {
            let u_deg = self.number(Field::InclineU).unwrap_or(INCLINE_U_DEG);
            Incline::from_angle(Steepness::Incline, base, degrees, u_deg, u)
        } else if let Some(given) = prop {
            self.both_or_neither(Field::Prop, Field::PropAt)?;
            let need = Need::By(given);
            Incline::from_prop(base, self.needed(Field::Prop, need)?, self.needed(Field::PropAt, need)?, u)
        } else if let (Some(given), Some(path)) = (ramp_file, self.text(Field::RampFile)) {
            let (degrees, u_deg) = self.read_ramp_file(given, path)?;
            Incline::from_angle(Steepness::RampFile, base, degrees, u_deg.unwrap_or(INCLINE_U_DEG), u)
        } else {
            return Ok(None);
        };
        self.rise_must_fit(base, incline.triangle, Field::Rise)?;
        Ok(Some(incline))
    }

    fn incline_of_heights(&self, base: Base, given: Given, u: &Uncertainties) -> Result<Incline, SetupError> {
        let low_mm = self.needed(Field::LowHeight, Need::By(given))?;
        let high_mm = self.needed(Field::HighHeight, Need::By(given))?;
        if low_mm >= high_mm
            && let (Some(low), Some(high)) = (self.given(Field::LowHeight), self.given(Field::HighHeight))
        {
            return Err(SetupError::LowEndAboveHigh { low, high, low_mm, high_mm });
        }
        let triangle = base.with_rise(high_mm - low_mm);
        self.rise_must_fit(base, triangle, Field::HighHeight)?;
        let middle = self.number(Field::MiddleHeight);
        self.middle_must_fit(Field::MiddleHeight, middle, [low_mm, high_mm])?;
        Ok(Incline {
            heights: Some([low_mm, high_mm].map(|height| Estimate::new(height, u.height))),
            middle_height: middle.map(|height| Estimate::new(height, u.height)),
            ..Incline::new(Steepness::Heights, triangle, u.height.hypot(u.height))
        })
    }

    pub(super) fn read_ramp_file(&self, given: Given, path: &str) -> Result<(f64, Option<f64>), SetupError> {
        let path = self.path(given, path)?;
        let text = std::fs::read_to_string(&path).map_err(|source| SetupError::RampFileUnreadable {
            given,
            path: path.clone(),
            source,
        })?;
        parse_ramp_file(&text).map_err(|source| SetupError::RampFileInvalid { given, path, source: Box::new(source) })
    }

    /// Where the nozzle was, and the incline that two gaps give where nothing else says how steep.
    fn head_place(
        &self,
        base: Base,
        stated: Option<&Incline>,
        u: &Uncertainties,
    ) -> Result<(Option<HeadPlace>, Option<Incline>), SetupError> {
        let first_of = |fields: &[Field]| fields.iter().find_map(|field| self.given(*field));
        let gaps = first_of(&[Field::GapLow, Field::GapHigh, Field::MiddleGap]);
        let block = first_of(&[Field::Block, Field::BlockAt]);
        let nozzle = self.given(Field::NozzleHeight);
        let mut said = [gaps, block, nozzle].into_iter().flatten();
        if let (Some(first), Some(second)) = (said.next(), said.next()) {
            return Err(SetupError::TwoWays { first, second });
        }
        if let Some(given) = self.given(Field::MiddleGap) {
            self.needed(Field::GapLow, Need::By(given))?;
            self.needed(Field::GapHigh, Need::By(given))?;
        }
        if gaps.is_some() {
            return self.gaps(base, stated, u);
        }
        if let Some(given) = block {
            let block = self.needed(Field::Block, Need::By(given))?;
            let block_at = self.needed(Field::BlockAt, Need::By(given))?;
            let (tip_diameter, tip_assumed) = self.tip(u);
            let place = HeadPlace::Block {
                block: Estimate::new(block, u.gap),
                block_at: Estimate::new(block_at, u.length),
                tip_diameter,
                tip_assumed,
            };
            return Ok((Some(place), None));
        }
        let nozzle = self.number(Field::NozzleHeight).map(|height| Estimate::new(height, u.height));
        Ok((nozzle.map(HeadPlace::NozzleHeight), None))
    }

    fn gaps(
        &self,
        base: Base,
        stated: Option<&Incline>,
        u: &Uncertainties,
    ) -> Result<(Option<HeadPlace>, Option<Incline>), SetupError> {
        let entered = [Field::GapLow, Field::GapHigh, Field::MiddleGap].map(|field| self.number(field));
        let [low, high, middle] = entered.map(|gap| gap.map(|gap| Estimate::new(gap, u.gap)));
        let are_blocks = self.claim(Field::GapsByBlock) == Some(true);
        let mut from_gaps = None;
        if let (Some(low_mm), Some(high_mm)) = (entered[0], entered[1]) {
            if low_mm <= high_mm
                && let (Some(low), Some(high)) = (self.given(Field::GapLow), self.given(Field::GapHigh))
            {
                return Err(SetupError::GapsTheWrongWayRound { low, high, low_mm, high_mm });
            }
            let difference = low_mm - high_mm;
            let difference_u = u.gap.hypot(u.gap);
            let incline = if are_blocks {
                let triangle = base.with_block_difference(difference);
                Incline::new(Steepness::Gaps, triangle, triangle.rise_per_block_difference(base) * difference_u)
            } else {
                Incline::new(Steepness::Gaps, base.with_rise(difference), difference_u)
            };
            self.rise_must_fit(base, incline.triangle, Field::GapLow)?;
            self.middle_must_fit(Field::MiddleGap, entered[2], [low_mm, high_mm])?;
            from_gaps = Some(incline);
        }
        if !are_blocks {
            return Ok((Some(HeadPlace::Gaps { low, high, middle, by_block: None }), from_gaps));
        }
        let Some(incline) = stated.or(from_gaps.as_ref()) else {
            return Err(SetupError::NoSteepness { section_line: self.section_line(Section::Ramp) });
        };
        let (tip_diameter, tip_assumed) = self.tip(u);
        let converted = |block: Option<Estimate>| block.map(|block| incline.gap_over_block(base, block, tip_diameter));
        let place = HeadPlace::Gaps {
            low: converted(low),
            high: converted(high),
            middle: converted(middle),
            by_block: Some(GapBlocks { low, high, middle, tip_diameter, tip_assumed }),
        };
        Ok((Some(place), from_gaps))
    }

    fn tip(&self, u: &Uncertainties) -> (Estimate, bool) {
        match self.number(Field::TipDiameter) {
            Some(diameter) => (Estimate::new(diameter, u.length), false),
            None => (ASSUMED_TIP_MM, true),
        }
    }

    fn head(&self, place: Option<HeadPlace>, u: &Uncertainties) -> Head {
        let spacer_in_use_mm = self.number(Field::SpacerInUse);
        Head {
            place,
            lens_to_nozzle: self.number(Field::LensToNozzle).map(|offset| Estimate::new(offset, u.length)),
            nominal_focal_length_mm: self.number(Field::NominalFocalLength),
            spacer_in_use_mm,
            // It is a block, so gap_u_mm speaks of it too.
            spacer_in_use_u_mm: spacer_in_use_mm.map_or(0.0, |_| u.gap),
            gauged_from: self.text(Field::GaugedFrom).map(str::to_owned),
        }
    }

    fn burn(&self) -> Burn {
        let text = |field| self.text(field).map(str::to_owned);
        Burn {
            material: text(Field::Material),
            power: text(Field::Power),
            speed_mm_s: self.number(Field::Speed),
            passes: self.count(Field::Passes),
            air: self.claim(Field::Air),
            run_along: text(Field::RunAlong),
        }
    }

    fn picture(&self, datum_name: &'static str, travel_mm: f64) -> Result<PictureSetup, SetupError> {
        let need = Need::Datum(datum_name, self.given(Field::Datum));
        let low_end = self.text(Field::LowEnd).map(|side| match side {
            "left" => Side::Left,
            "right" => Side::Right,
            "top" => Side::Top,
            _ => Side::Bottom,
        });
        if low_end.is_none() && matches!(datum_name, "ends" | "strip") {
            return Err(self.missing(Field::LowEnd, need));
        }
        self.points_must_be_used(datum_name)?;
        let datum = match datum_name {
            "strip" => Datum::Strip,
            "marks" => self.marks(need, travel_mm)?,
            "points" => self.points(need, travel_mm)?,
            _ => Datum::Ends,
        };
        Ok(PictureSetup { datum, low_end, dpi: self.number(Field::Dpi), area_px: self.numbers(Field::AreaPx) })
    }

    /// Points that nothing looks at are a slip, unless a flag has chosen another datum over the file's.
    fn points_must_be_used(&self, datum_name: &'static str) -> Result<(), SetupError> {
        use super::error::Origin;
        let datum_is_by_flag = self.given(Field::Datum).is_some_and(|given| given.origin == Origin::Flag);
        match self.given(Field::PointsPx) {
            Some(points) if datum_name != "points" && (points.origin == Origin::Flag || !datum_is_by_flag) => {
                Err(SetupError::PointsUnused { points, datum: datum_name })
            }
            _ => Ok(()),
        }
    }

    fn marks(&self, need: Need, travel_mm: f64) -> Result<Datum, SetupError> {
        let pitch_mm = self.needed(Field::MarkPitch, need)?;
        let steps = travel_mm / pitch_mm;
        let last = steps.round();
        let Some(pitch) = self.given(Field::MarkPitch) else { return Err(self.missing(Field::MarkPitch, need)) };
        // The float's own rounding must not decide a travel that is off by exactly the tolerance.
        if (last * pitch_mm - travel_mm).abs() > PITCH_TOLERANCE_MM + 1e-9 {
            return Err(SetupError::PitchDoesNotDivide { pitch, pitch_mm, travel_mm, steps });
        }
        let last = last as usize;
        if !LAST_MARK.contains(&last) {
            return Err(SetupError::MarkCountOutOfRange { pitch, pitch_mm, travel_mm, last });
        }
        Ok(Datum::Marks { pitch_mm, last })
    }

    fn points(&self, need: Need, datums_travel_mm: f64) -> Result<Datum, SetupError> {
        let (Some(points), Some([ax, ay, bx, by])) = (self.given(Field::PointsPx), self.numbers(Field::PointsPx))
        else {
            return Err(self.missing(Field::PointsPx, need));
        };
        if ax == bx && ay == by {
            return Err(SetupError::SamePoint { points });
        }
        let travel_mm = self.numbers(Field::PointsTravel).unwrap_or([0.0, datums_travel_mm]);
        if let Some(given) = self.given(Field::PointsTravel)
            && travel_mm[0] == travel_mm[1]
        {
            return Err(SetupError::SameTravel { given, travel_mm: travel_mm[0] });
        }
        let u_px = self.number(Field::PointsU).unwrap_or(POINTS_U_PX);
        Ok(Datum::Points { points_px: [[ax, ay], [bx, by]], travel_mm, u_px })
    }

    fn missing(&self, field: Field, need: Need) -> SetupError {
        SetupError::Missing(Missing { field, section_line: self.section_line(field.section()), need })
    }

    fn needed(&self, field: Field, need: Need) -> Result<f64, SetupError> {
        self.number(field).ok_or_else(|| self.missing(field, need))
    }

    fn both_or_neither(&self, one: Field, other: Field) -> Result<(), SetupError> {
        match (self.given(one), self.given(other)) {
            (Some(given), None) => Err(self.missing(other, Need::By(given))),
            (None, Some(given)) => Err(self.missing(one, Need::By(given))),
            _ => Ok(()),
        }
    }

    /// A strip cannot rise by more than its length, nor two blocks differ by more than an angle can explain.
    fn rise_must_fit(&self, base: Base, triangle: Triangle, field: Field) -> Result<(), SetupError> {
        let fits = triangle.travel_mm.is_finite() && triangle.travel_mm > 0.0 && triangle.rise_mm.is_finite();
        match self.given(field) {
            Some(given) if !fits => {
                let (Base::Travel(strip_length_mm) | Base::Span(strip_length_mm)) = base;
                Err(SetupError::RiseBeyondStrip { given, strip_length_mm })
            }
            _ => Ok(()),
        }
    }

    /// Three places carry a quadratic; it rises all the way only while the bow is below a quarter of the rise.
    fn middle_must_fit(&self, field: Field, middle: Option<f64>, [low, high]: [f64; 2]) -> Result<(), SetupError> {
        let (Some(given), Some(middle_mm)) = (self.given(field), middle) else { return Ok(()) };
        let straight_mm = f64::midpoint(low, high);
        let bow_mm = (middle_mm - straight_mm).abs();
        if bow_mm >= (high - low).abs() / 4.0 {
            return Err(SetupError::MiddleOutOfReach { middle: given, middle_mm, straight_mm, bow_mm });
        }
        Ok(())
    }
}

/// How steep the ramp was, and what said so.
struct Incline {
    steepness: Steepness,
    triangle: Triangle,
    rise_u_mm: f64,
    heights: Option<[Estimate; 2]>,
    middle_height: Option<Estimate>,
}

impl Incline {
    fn new(steepness: Steepness, triangle: Triangle, rise_u_mm: f64) -> Self {
        Self { steepness, triangle, rise_u_mm, heights: None, middle_height: None }
    }

    /// `u(rise) = travel·u(θ)/cos²θ` over a known travel. Over a strip of measured length the derivative is
    /// `span·cos θ`, and the length's own uncertainty enters with `sin θ`. (The travel's does not enter: it is
    /// what the machine was told to move.)
    fn from_angle(steepness: Steepness, base: Base, degrees: f64, u_deg: f64, u: &Uncertainties) -> Self {
        let triangle = base.with_angle(degrees.to_radians());
        let from_angle = triangle.rise_per_radian(base) * u_deg.to_radians();
        Self::new(steepness, triangle, from_angle.hypot(length_part(base, triangle, u)))
    }

    /// `tan θ = prop/prop_at`, so `u(θ) = sin θ·cos θ·√((u/prop)² + (u/prop_at)²)`; over a known travel this is
    /// `u(rise) = rise·√(…)`.
    fn from_prop(base: Base, prop_mm: f64, prop_at_mm: f64, u: &Uncertainties) -> Self {
        let triangle = base.with_angle((prop_mm / prop_at_mm).atan());
        let relative = (u.height / prop_mm).hypot(u.length / prop_at_mm);
        let angle_u = triangle.angle.sin() * triangle.angle.cos() * relative;
        let from_prop = triangle.rise_per_radian(base) * angle_u;
        Self::new(Steepness::Prop, triangle, from_prop.hypot(length_part(base, triangle, u)))
    }

    /// The gap over one block, with its own standard uncertainty; the angle is shared by all blocks, which
    /// `height` takes into account.
    fn gap_over_block(&self, base: Base, block: Estimate, tip: Estimate) -> Estimate {
        let triangle = self.triangle;
        let (sin, cos) = triangle.angle.sin_cos();
        let per_radian = block.value * sin / (cos * cos) + tip.value / 2.0 / (cos * cos);
        let parts = [
            block.standard_uncertainty / cos,
            tip.standard_uncertainty / 2.0 * triangle.angle.tan(),
            per_radian * self.rise_u_mm / triangle.rise_per_radian(base),
        ];
        let u = parts.iter().map(|part| part * part).sum::<f64>().sqrt();
        Estimate::new(triangle.gap_over_block(block.value, tip.value), u)
    }
}

fn length_part(base: Base, triangle: Triangle, u: &Uncertainties) -> f64 {
    match base {
        Base::Travel(_) => 0.0,
        Base::Span(_) => triangle.angle.sin() * u.length,
    }
}
