//! Stages 2 and 3: the line's course in the picture, the strip round it, and what ties it to the ramp.

pub mod bow;
pub mod coarse;
pub mod crossing;
pub mod profile;
pub mod refine;
pub mod runs;
pub mod trace;
mod valley;

/// Places, between equal parts of a course, at which its distance from its chord is looked at.
const BOW_PARTS: u32 = 8;
/// Bow over its length beyond which a course is no head's. A lens that moves the picture's corner by 4 % of its distance from the middle
/// bows a line near the edge by 0.6 % of its length; 165 rendered lines of two renderers have up to 0.3 %.
const MOST_BOW: f64 = 0.007;

/// The centre of the burned line: a straight axis and small lateral offsets from it.
///
/// `along_px` is the projection on the axis; the lateral offset at `along_px` is interpolated linearly
/// between knots that stand `step_px` apart from `start_px` on. Always holds: `direction` is a unit vector.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// A point of the axis.
    pub origin_px: [f64; 2],
    /// Unit vector of the axis.
    pub direction: [f64; 2],
    /// First visible place of the line, along the axis.
    pub start_px: f64,
    /// Last visible place of the line.
    pub end_px: f64,
    /// Distance between knots.
    pub step_px: f64,
    /// Lateral offset at each knot, positive to the left of `direction` as seen on a screen with y down:
    /// along `(direction.y, -direction.x)`.
    pub offsets_px: Vec<f64>,
    /// True where the line is darker than the strip.
    pub is_dark: bool,
}

/// How places along a course become positions along the strip.
#[derive(Debug, Clone, PartialEq)]
pub struct Tie {
    /// What tied it: `ends`, `strip`, `marks` or `points`.
    pub datum: &'static str,
    /// Pixel place of the low datum (outside the picture where a close picture was placed by marks).
    pub low_px: [f64; 2],
    /// Pixel place of the high datum.
    pub high_px: [f64; 2],
    /// Index marks used, with their numbers.
    pub marks: Vec<Mark>,
    /// Along-course pixel to surface position in mm: monotonic samples, in order of `along_px`.
    pub samples: Vec<TieSample>,
}

/// One sample of the map from the course to the strip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TieSample {
    /// Along the course.
    pub along_px: f64,
    /// Along the strip's surface from the low datum.
    pub position_mm: f64,
    /// Standard uncertainty of `position_mm` from the tie alone (datums, perspective, distortion).
    pub standard_uncertainty_mm: f64,
}

/// An index mark that was recognised.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Its number i, counted from the low datum.
    pub index: usize,
    /// Where it crosses the line.
    pub place_px: [f64; 2],
    /// Ends of its halves in the picture, inner then outer, left then right as seen from low to high;
    /// `None` for a half that was not seen.
    pub halves_px: [Option<[[f64; 2]; 2]>; 2],
}

impl Course {
    /// The same course with another visible extent.
    pub fn with_extent(&self, start_px: f64, end_px: f64) -> Self {
        let knots = ((end_px - start_px) / self.step_px).ceil().max(0.0) as usize + 1;
        let offsets_px = (0..knots).map(|k| self.offset_at(start_px + k as f64 * self.step_px)).collect();
        Self { start_px, end_px, offsets_px, ..self.clone() }
    }

    /// Unit vector across the course, to the left of `direction` on a screen with y down.
    pub fn across(&self) -> [f64; 2] {
        [self.direction[1], -self.direction[0]]
    }

    /// Lateral offset of the line from the axis at `along_px`, held constant beyond the knots.
    pub fn offset_at(&self, along_px: f64) -> f64 {
        let Some(last) = self.offsets_px.len().checked_sub(1) else { return 0.0 };
        let knot = ((along_px - self.start_px) / self.step_px).clamp(0.0, last as f64);
        let index = (knot.floor() as usize).min(last);
        let next = (index + 1).min(last);
        let share = knot - index as f64;
        self.offsets_px[index] * (1.0 - share) + self.offsets_px[next] * share
    }

    /// Farthest that it lies from its chord, over its length.
    pub fn bow(&self) -> f64 {
        let length = self.end_px - self.start_px;
        let at = |share: f64| self.offset_at(self.start_px + share * length);
        let [first, last] = [at(0.0), at(1.0)];
        let apart = |share: f64| (at(share) - first - share * (last - first)).abs();
        (1..BOW_PARTS).map(|k| apart(f64::from(k) / f64::from(BOW_PARTS))).fold(0.0, f64::max) / length
    }

    /// True where it can be that of a head, which runs straight: a lens and a strip that is not flat bow it a little.
    pub fn is_straight(&self) -> bool {
        self.bow() < MOST_BOW
    }

    /// Picture place at `along_px`, `across_px` away from the line's centre.
    pub fn place(&self, along_px: f64, across_px: f64) -> [f64; 2] {
        let across = self.across();
        let lateral = self.offset_at(along_px) + across_px;
        [
            self.origin_px[0] + along_px * self.direction[0] + lateral * across[0],
            self.origin_px[1] + along_px * self.direction[1] + lateral * across[1],
        ]
    }

    /// Along and across coordinates of a picture place; across counted from the line's centre.
    pub fn along_across(&self, place_px: [f64; 2]) -> [f64; 2] {
        let [dx, dy] = [place_px[0] - self.origin_px[0], place_px[1] - self.origin_px[1]];
        let across = self.across();
        let along = dx * self.direction[0] + dy * self.direction[1];
        [along, dx * across[0] + dy * across[1] - self.offset_at(along)]
    }
}

impl Tie {
    /// Position with its uncertainty at a place along the course: linear between samples, extended linearly beyond them.
    pub fn at(&self, along_px: f64) -> TieSample {
        let upper = self.samples.partition_point(|s| s.along_px < along_px).clamp(1, self.samples.len() - 1);
        let [a, b] = [self.samples[upper - 1], self.samples[upper]];
        let share = (along_px - a.along_px) / (b.along_px - a.along_px);
        TieSample {
            along_px,
            position_mm: a.position_mm + share * (b.position_mm - a.position_mm),
            standard_uncertainty_mm: (a.standard_uncertainty_mm
                + share * (b.standard_uncertainty_mm - a.standard_uncertainty_mm))
                .abs(),
        }
    }

    /// Millimetres on the surface per pixel along the course at `along_px`; always positive.
    pub fn mm_per_px(&self, along_px: f64) -> f64 {
        let upper = self.samples.partition_point(|s| s.along_px < along_px).clamp(1, self.samples.len() - 1);
        let [a, b] = [self.samples[upper - 1], self.samples[upper]];
        ((b.position_mm - a.position_mm) / (b.along_px - a.along_px)).abs()
    }

    /// Place along the course of a position on the strip: the inverse of [`Tie::at`].
    pub fn along_at(&self, position_mm: f64) -> f64 {
        let sign = if self.is_rising() { 1.0 } else { -1.0 };
        let upper = self
            .samples
            .partition_point(|s| sign * s.position_mm < sign * position_mm)
            .clamp(1, self.samples.len() - 1);
        let [a, b] = [self.samples[upper - 1], self.samples[upper]];
        a.along_px + (position_mm - a.position_mm) / (b.position_mm - a.position_mm) * (b.along_px - a.along_px)
    }

    /// True where position grows along the course.
    pub fn is_rising(&self) -> bool {
        self.samples[self.samples.len() - 1].position_mm > self.samples[0].position_mm
    }
}
