//! The incline, the head over it, and what holds the strip up.

use serde::Serialize;

use super::Note;
use super::beam::Spot;
use super::error::PlanError;
use super::request::{PlanRequest, PlannedDatum, PlannedSteepness};

/// Steepest slope, rise over travel: on a steeper one the strip slips and the nozzle's rim comes near (common practice, no source).
pub const MOST_SLOPE: f64 = 0.35;
/// Rayleigh ranges that the line should reach beyond the search range.
const WANTED_RANGES: f64 = 3.0;
/// Rayleigh ranges beyond the focus without which no narrowest place shows.
const LEAST_RANGES: f64 = 1.0;
/// Least room under whatever is lowest at the head (common practice, no source): paper tape, and a strip that warps.
const LEAST_CLEARANCE_MM: f64 = 1.0;
/// Free surface before the line's ends, and what the line runs past the outermost marks, in travel.
const END_MARGIN_MM: f64 = 8.0;
/// Past the outermost marks, in travel: INTERFACE's 4 mm.
pub const PAST_MARKS_MM: f64 = 4.0;
/// Index marks: pitches to choose from, and the numbers the last mark can have.
const PITCHES_MM: [f64; 9] = [5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 30.0, 60.0];
const LEAST_LAST_MARK: usize = 6;
const MOST_LAST_MARK: usize = 30;
/// Travel is a multiple of this without marks.
const TRAVEL_STEP_MM: f64 = 5.0;
/// Share of the strip at which a prop stands, and the shares between which it may.
const PROP_SHARE: f64 = 0.85;
const PROP_SHARES: [f64; 2] = [0.4, 0.97];

/// The ramp and the head. Lengths in millimetres; positions along the surface count from the low datum.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RampPlan {
    /// Level head travel from the low to the high datum.
    pub travel_mm: f64,
    /// Rise between them.
    pub rise_mm: f64,
    /// Distance between them along the strip's surface.
    pub span_mm: f64,
    /// Angle of the incline.
    pub incline_deg: f64,
    /// Gap from nozzle tip to strip over the low datum.
    pub gap_low_mm: f64,
    /// Gap over the high datum.
    pub gap_high_mm: f64,
    /// Gap at half the travel.
    pub gap_middle_mm: f64,
    /// Block that just slides under the tip at half the travel.
    pub block_middle_mm: f64,
    /// Head travel at which today's block just slides under the tip; `None` where that is off the line.
    pub block_in_use_at_mm: Option<f64>,
    /// Room left over the high end under the lowest part of the head.
    pub clearance_mm: f64,
    /// Surface from the strip's low edge to the low datum.
    pub low_margin_mm: f64,
    /// Height of the strip's top over the bed at the low datum, and at the high one.
    pub low_height_mm: f64,
    /// At the high datum.
    pub high_height_mm: f64,
    /// What holds the strip up.
    pub support: Support,
    /// Index marks, where they are the datum.
    pub marks: Option<MarkPlan>,
    /// Heights that the line reaches from today's block, down and up.
    pub reach_mm: [f64; 2],
    /// Thinnest and thickest block within the search range whose focus the line would show.
    pub found_spacers_mm: [f64; 2],
}

/// What holds the strip up.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Support {
    /// A block: the strip's underside rests on its near upper edge.
    Prop {
        /// Its thickness.
        prop_mm: f64,
        /// Level distance from the strip's toe to its near edge.
        prop_at_mm: f64,
    },
    /// A ramp measured once and kept.
    RampFile {
        /// The file.
        path: String,
    },
}

/// A row of index marks.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MarkPlan {
    /// Pitch in travel.
    pub pitch_mm: f64,
    /// Number of the last mark.
    pub last: usize,
}

impl RampPlan {
    /// Where along the surface the gap is `gap_mm`.
    pub fn position_of_gap(&self, gap_mm: f64) -> f64 {
        (self.gap_low_mm - gap_mm) / self.rise_mm * self.span_mm
    }

    /// The incline in radians.
    pub fn angle(&self) -> f64 {
        self.incline_deg.to_radians()
    }

    /// Head travel where the line starts and stops.
    pub fn line_travel_mm(&self) -> [f64; 2] {
        match self.marks {
            Some(_) => [-PAST_MARKS_MM, self.travel_mm + PAST_MARKS_MM],
            None => [0.0, self.travel_mm],
        }
    }
}

/// How far the line has to reach below and above today's block.
#[derive(Debug, Clone, Copy)]
struct Reach {
    low: f64,
    high: f64,
}

impl Reach {
    fn rise(self) -> f64 {
        self.low + self.high
    }
}

/// The ramp for a request, and what is to be known of it.
///
/// # Errors
/// No useful line: the nozzle, the strip or the ramp does not allow it.
pub fn design(request: &PlanRequest, spot: &Spot) -> Result<(RampPlan, Vec<Note>), PlanError> {
    let margin_mm = match request.datum {
        PlannedDatum::Ends => END_MARGIN_MM,
        PlannedDatum::Marks => END_MARGIN_MM + PAST_MARKS_MM,
    };
    let zr = spot.rayleigh_mm;
    let fixed_slope = match &request.steepness {
        PlannedSteepness::Prop { .. } => None,
        PlannedSteepness::RampFile { incline_deg, .. } => Some(incline_deg.value.to_radians().tan()),
    };
    let wanted = request.search_mm + WANTED_RANGES * zr;
    let mut slope = fixed_slope.unwrap_or(0.1);
    let mut reach = Reach { low: wanted, high: wanted };
    let mut room_mm = 0.0;
    // The slope decides how near the nozzle's rim comes, and that how much the line may rise: a few rounds settle it.
    for _ in 0..30 {
        room_mm = request.spacer_in_use_mm - least_gap_high(request, slope);
        reach = Reach { low: wanted, high: wanted.min(room_mm) };
        let longest = longest_travel(request, margin_mm, slope);
        let most = fixed_slope.unwrap_or(MOST_SLOPE) * longest;
        reach = shortened(reach, most, request, zr);
        if fixed_slope.is_none() {
            slope = 0.5 * (slope + (reach.rise() / longest).clamp(1e-3, MOST_SLOPE));
        }
    }
    if reach.high < LEAST_RANGES * zr {
        return Err(PlanError::NoRoomBeyondFocus {
            spacer_mm: request.spacer_in_use_mm,
            beyond_mm: reach.high,
            needed_mm: LEAST_RANGES * zr,
        });
    }
    let longest = longest_travel(request, margin_mm, slope);
    let most_rise = fixed_slope.unwrap_or(MOST_SLOPE) * longest;
    if reach.rise() > most_rise * (1.0 + 1e-9) {
        return Err(too_long(request, fixed_slope, reach, most_rise, margin_mm));
    }
    let (travel_mm, marks) = travel(request, longest, fixed_slope.map(|slope| reach.rise() / slope));
    let (support, slope) = match &request.steepness {
        PlannedSteepness::Prop { thickness_mm } => {
            let (prop_mm, prop_at_mm) = prop(request, *thickness_mm, reach.rise() / travel_mm)?;
            (Support::Prop { prop_mm, prop_at_mm }, prop_mm / prop_at_mm)
        }
        PlannedSteepness::RampFile { path, .. } => (Support::RampFile { path: path.clone() }, slope),
    };
    Ok(laid_out(
        request,
        spot,
        Layout { travel_mm, slope, marks, support, margin_mm, reach, room_mm, wanted_mm: wanted },
    ))
}

/// What the layout is made from.
struct Layout {
    travel_mm: f64,
    slope: f64,
    marks: Option<MarkPlan>,
    support: Support,
    margin_mm: f64,
    reach: Reach,
    room_mm: f64,
    wanted_mm: f64,
}

fn laid_out(request: &PlanRequest, spot: &Spot, layout: Layout) -> (RampPlan, Vec<Note>) {
    let Layout { travel_mm, slope, marks, support, margin_mm, reach, room_mm, wanted_mm } = layout;
    let zr = spot.rayleigh_mm;
    let spacer = request.spacer_in_use_mm;
    let rise_mm = travel_mm * slope;
    let span_mm = travel_mm.hypot(rise_mm);
    let angle = slope.atan();
    let [sin, cos] = [angle.sin(), angle.cos()];
    // Tenths are what one sets a head to; upwards, so that the nozzle stays clear.
    let gap_high_mm = ((spacer - reach.high).max(least_gap_high(request, slope)) * 10.0 - 1e-6).ceil() / 10.0;
    let gap_low_mm = gap_high_mm + rise_mm;
    let gap_middle_mm = f64::midpoint(gap_low_mm, gap_high_mm);
    // A flat block on a slope meets the tip's uphill rim first: gap = block/cos θ + (tip/2)·tan θ.
    let rim = 0.5 * request.tip_diameter_mm * slope;
    let block_in_use_at_mm = (gap_low_mm - (spacer / cos + rim)) / slope;
    let low_margin_mm = match request.steepness {
        PlannedSteepness::Prop { .. } => 0.5 * (request.strip_length_mm - span_mm),
        // The strip lies against the ramp's stop, and the line need not use all of it.
        PlannedSteepness::RampFile { .. } => margin_mm / cos,
    };
    let low_height_mm = request.strip_thickness_mm * cos + low_margin_mm * sin;
    let reach_mm = [gap_low_mm - spacer, spacer - gap_high_mm];
    let found = [gap_high_mm + LEAST_RANGES * zr, gap_low_mm - LEAST_RANGES * zr];
    let searched = [spacer - request.search_mm, spacer + request.search_mm];
    let found_spacers_mm = [found[0].max(searched[0]), found[1].min(searched[1])];
    let mut notes = vec![];
    // Tenths lost to rounding are no shortage.
    const SLACK_MM: f64 = 0.15;
    if room_mm < wanted_mm - SLACK_MM && reach.high >= room_mm - SLACK_MM {
        notes.push(Note::NozzleLimitsHighEnd { beyond_mm: reach_mm[1], wanted_mm });
    }
    if reach.low < wanted_mm - SLACK_MM {
        notes.push(Note::ShortStrip { rayleigh_ranges: ((reach.low - request.search_mm) / zr).max(0.0) });
    }
    if found[0] > searched[0] + SLACK_MM || found[1] < searched[1] - SLACK_MM {
        notes.push(Note::PartOfSearch { from_mm: found_spacers_mm[0], to_mm: found_spacers_mm[1] });
    }
    let ramp = RampPlan {
        travel_mm,
        rise_mm,
        span_mm,
        incline_deg: angle.to_degrees(),
        gap_low_mm,
        gap_high_mm,
        gap_middle_mm,
        block_middle_mm: (gap_middle_mm - rim) * cos,
        block_in_use_at_mm: (0.0..=travel_mm).contains(&block_in_use_at_mm).then_some(block_in_use_at_mm),
        clearance_mm: gap_high_mm - least_gap_high(request, slope) + LEAST_CLEARANCE_MM,
        low_margin_mm,
        low_height_mm,
        high_height_mm: low_height_mm + rise_mm,
        support,
        marks,
        reach_mm,
        found_spacers_mm,
    };
    (ramp, notes)
}

/// Smallest gap over the high datum at which everything at the head stays clear of the strip: the tip's uphill rim reaches
/// half the tip further up the slope, and with marks the line goes on past the datum.
fn least_gap_high(request: &PlanRequest, slope: f64) -> f64 {
    let past = if request.datum == PlannedDatum::Marks { PAST_MARKS_MM } else { 0.0 };
    LEAST_CLEARANCE_MM + request.below_nozzle_mm + (0.5 * request.tip_diameter_mm + past) * slope
}

fn longest_travel(request: &PlanRequest, margin_mm: f64, slope: f64) -> f64 {
    (request.strip_length_mm - 2.0 * margin_mm) * slope.atan().cos()
}

/// Takes from what is beyond the search range until the rise fits, evenly from both sides, down to what is useful.
fn shortened(reach: Reach, most_rise: f64, request: &PlanRequest, zr: f64) -> Reach {
    let excess = reach.rise() - most_rise;
    if excess <= 0.0 {
        return reach;
    }
    let least = request.search_mm + LEAST_RANGES * zr;
    let can_give = |side: f64| (side - least).max(0.0);
    let [low, high] = [can_give(reach.low), can_give(reach.high)];
    let share = (excess / (low + high).max(1e-12)).min(1.0);
    Reach { low: reach.low - share * low, high: reach.high - share * high }
}

fn too_long(request: &PlanRequest, fixed: Option<f64>, reach: Reach, most_rise: f64, margin_mm: f64) -> PlanError {
    match fixed {
        Some(slope) => PlanError::RampTooFlat {
            incline_deg: slope.atan().to_degrees(),
            rise_mm: most_rise,
            needed_mm: reach.rise(),
        },
        None => PlanError::StripTooShort {
            given_mm: request.strip_length_mm,
            rise_mm: reach.rise(),
            most_slope: MOST_SLOPE,
            needed_mm: (reach.rise() / MOST_SLOPE.atan().sin() + 2.0 * margin_mm).ceil(),
        },
    }
}

/// Travel in round numbers: as long as the strip allows, or as long as a given slope needs.
fn travel(request: &PlanRequest, longest: f64, needed: Option<f64>) -> (f64, Option<MarkPlan>) {
    let wanted = needed.unwrap_or(longest).min(longest);
    let stepped = |step: f64| {
        let floor = (longest / step + 1e-9).floor();
        let asked = match needed {
            Some(_) => (wanted / step - 1e-9).ceil(),
            None => floor,
        };
        asked.min(floor).max(1.0)
    };
    if request.datum == PlannedDatum::Ends {
        return (stepped(TRAVEL_STEP_MM) * TRAVEL_STEP_MM, None);
    }
    let pitch_mm = PITCHES_MM
        .into_iter()
        .find(|pitch| stepped(*pitch) <= MOST_LAST_MARK as f64)
        .unwrap_or(PITCHES_MM[PITCHES_MM.len() - 1]);
    let last = (stepped(pitch_mm) as usize).clamp(LEAST_LAST_MARK, MOST_LAST_MARK);
    (last as f64 * pitch_mm, Some(MarkPlan { pitch_mm, last }))
}

/// Thickness of the prop and the level distance from the strip's toe to its near edge, on which the strip's underside rests:
/// tan θ = prop/prop_at, whatever the strip's thickness. (The sine bar's triangle with the long side on the slope.)
fn prop(request: &PlanRequest, thickness_mm: Option<f64>, slope: f64) -> Result<(f64, f64), PlanError> {
    let sin = slope.atan().sin();
    let [least_mm, most_mm] = PROP_SHARES.map(|share| share * request.strip_length_mm * sin);
    let prop_mm = match thickness_mm {
        Some(given_mm) if !(least_mm..=most_mm).contains(&given_mm) => {
            return Err(PlanError::PropDoesNotFit { given_mm, least_mm, most_mm });
        }
        Some(given_mm) => given_mm,
        None => {
            let exact = PROP_SHARE * request.strip_length_mm * sin;
            // Whole millimetres, where that keeps it under the strip.
            Some(exact.round()).filter(|prop| (least_mm..=most_mm).contains(prop)).unwrap_or(exact)
        }
    };
    // Rounded down: the slope comes out a little steeper and the line reaches a little further.
    Ok((prop_mm, (prop_mm / slope).floor()))
}
