//! The right triangle under the strip: level travel, rise, and the strip's surface between the datums.

/// What is known of the triangle beside the angle. Millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Base {
    /// The level side: the head's travel between the datums.
    Travel(f64),
    /// The long side: the strip's length between its edges.
    Span(f64),
}

/// The triangle itself. Millimetres; `angle` in radians.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Triangle {
    /// Level side.
    pub(crate) travel_mm: f64,
    /// Side along the strip.
    pub(crate) span_mm: f64,
    /// Upright side.
    pub(crate) rise_mm: f64,
    /// Angle between strip and level.
    pub(crate) angle: f64,
}

impl Base {
    /// From the rise; not finite where a span is shorter than its rise.
    pub(crate) fn with_rise(self, rise_mm: f64) -> Triangle {
        let (travel_mm, span_mm) = match self {
            Self::Travel(travel) => (travel, travel.hypot(rise_mm)),
            Self::Span(span) => ((span * span - rise_mm * rise_mm).sqrt(), span),
        };
        Triangle { travel_mm, span_mm, rise_mm, angle: rise_mm.atan2(travel_mm) }
    }

    /// From the angle in radians.
    pub(crate) fn with_angle(self, angle: f64) -> Triangle {
        match self {
            Self::Travel(travel_mm) => {
                Triangle { travel_mm, span_mm: travel_mm / angle.cos(), rise_mm: travel_mm * angle.tan(), angle }
            }
            Self::Span(span_mm) => {
                Triangle { travel_mm: span_mm * angle.cos(), span_mm, rise_mm: span_mm * angle.sin(), angle }
            }
        }
    }

    /// From the difference of two blocks that slid under the tip over the datums. Each gap is
    /// `block/cos θ + (tip/2)·tan θ`, so that `rise = difference/cos θ`: the tip drops out. Hence
    /// `sin θ = difference/travel`, or `sin 2θ = 2·difference/span`. Not finite where there is no such angle.
    pub(crate) fn with_block_difference(self, difference_mm: f64) -> Triangle {
        self.with_angle(match self {
            Self::Travel(travel) => (difference_mm / travel).asin(),
            Self::Span(span) => (2.0 * difference_mm / span).asin() / 2.0,
        })
    }
}

impl Triangle {
    /// Gap on the beam's axis over a place where a flat block just slid between tip and slope: its upper face, at
    /// right angles to its thickness, meets the uphill rim of the tip first.
    pub(crate) fn gap_over_block(&self, block_mm: f64, tip_diameter_mm: f64) -> f64 {
        block_mm / self.angle.cos() + tip_diameter_mm / 2.0 * self.angle.tan()
    }

    /// How fast the rise grows with the difference of the blocks of [`Base::with_block_difference`].
    pub(crate) fn rise_per_block_difference(&self, base: Base) -> f64 {
        match base {
            Base::Travel(_) => self.angle.cos().powi(-3),
            Base::Span(_) => self.angle.cos() / (2.0 * self.angle).cos(),
        }
    }

    /// How fast the rise grows with the angle, in mm per radian.
    pub(crate) fn rise_per_radian(&self, base: Base) -> f64 {
        match base {
            Base::Travel(travel) => travel / self.angle.cos().powi(2),
            Base::Span(span) => span * self.angle.cos(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn difference(f: impl Fn(f64) -> f64, at: f64) -> f64 {
        let step = 1e-6;
        (f(at + step) - f(at - step)) / (2.0 * step)
    }

    #[test]
    fn the_triangle_closes_from_either_side() {
        // 3-4-5 in tens of millimetres.
        let from_travel = Base::Travel(40.0).with_rise(30.0);
        let from_span = Base::Span(50.0).with_rise(30.0);
        assert!((from_travel.span_mm - 50.0).abs() < 1e-12 && (from_span.travel_mm - 40.0).abs() < 1e-12);
        let angle = (0.75f64).atan();
        assert!((from_travel.angle - angle).abs() < 1e-12);
        assert!((Base::Travel(40.0).with_angle(angle).rise_mm - 30.0).abs() < 1e-12);
        assert!((Base::Span(50.0).with_angle(angle).rise_mm - 30.0).abs() < 1e-12);
    }

    #[test]
    fn two_blocks_find_the_angle_they_were_gauged_at() {
        for base in [Base::Travel(150.0), Base::Span(150.0)] {
            let truth = base.with_rise(15.0);
            // A gap of 17 over the low end and of 2 over the high one, each backwards through the block's formula.
            let block = |gap: f64| (gap - 4.0 * truth.angle.tan()) * truth.angle.cos();
            let found = base.with_block_difference(block(17.0) - block(2.0));
            assert!((found.rise_mm - 15.0).abs() < 1e-9, "{found:?}");
            assert!((found.gap_over_block(block(17.0), 8.0) - 17.0).abs() < 1e-9);
        }
    }

    #[test]
    fn eight_millimetres_of_tip_on_one_in_ten_is_four_tenths() {
        let slope = Base::Travel(150.0).with_rise(15.0);
        assert!((slope.gap_over_block(0.0, 8.0) - 0.4).abs() < 1e-12);
    }

    #[test]
    fn derivatives_agree_with_differences() {
        for base in [Base::Travel(150.0), Base::Span(150.0)] {
            let slope = base.with_rise(20.0);
            let by_angle = difference(|angle| base.with_angle(angle).rise_mm, slope.angle);
            assert!((slope.rise_per_radian(base) - by_angle).abs() < 1e-5);
            let blocks = slope.rise_mm * slope.angle.cos();
            let by_blocks = difference(|d| base.with_block_difference(d).rise_mm, blocks);
            assert!((slope.rise_per_block_difference(base) - by_blocks).abs() < 1e-6);
        }
    }
}
