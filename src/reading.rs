//! The stages in order: a photo and a setup become a [`Reading`]. No arithmetic lives here.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::{Arc, OnceLock};

use crate::advice::{self, NoCourse};
use crate::anchor::ends::LineEnd;
use crate::anchor::strip::EdgeLine;
use crate::anchor::tie::TieError;
use crate::anchor::{self, Found, breaks, ends};
use crate::cautions::Caution;
use crate::choose::fork::parts_in_two;
use crate::choose::{self, Choice, Said};
use crate::doubts;
use crate::estimate::Estimate;
use crate::fit::waist;
use crate::height;
use crate::locate::coarse::Coarse;
use crate::locate::refine::WidthGuide;
use crate::locate::{Course, Tie};
use crate::photo::{Light, Photo};
use crate::refusal::Refusal;
use crate::second_look;
use crate::setup::{Datum, Setup};
use crate::stations::astray::leave_out_astray;
use crate::stations::measure::{MeasureOptions, measure};
use crate::stations::{LineQuality, Station, quality};

/// Everything one picture gave: every stage's output as far as it came, and the outcome.
#[derive(Debug, Clone)]
pub struct Reading {
    /// The picture as read.
    pub image: ImageFacts,
    /// Which of its light was looked at.
    pub light: Light,
    /// The line's course, where one was found.
    pub course: Option<Course>,
    /// The strip's outline (four corners in pixels, in order round the strip), where it was found.
    pub outline_px: Option<[[f64; 2]; 4]>,
    /// How the course is tied to the ramp.
    pub tie: Option<Tie>,
    /// The measured places, in order along the course.
    pub stations: Vec<Station>,
    /// Every fit made.
    pub fits: Vec<Fit>,
    /// What the line itself is like.
    pub line: Option<LineQuality>,
    /// The finest place, before heights enter; `None` when refused.
    pub waist: Option<Waist>,
    /// The answer, or why there is none.
    pub outcome: Result<Focus, Refusal>,
    /// Doubts, each once, in the order of their codes.
    pub cautions: Vec<Caution>,
}

impl Reading {
    fn order_cautions(&mut self) {
        self.cautions.sort_by_key(|c| c.code);
        self.cautions.dedup_by_key(|c| c.code);
    }

    fn add_caution(&mut self, caution: Caution) {
        self.cautions.push(caution);
        self.order_cautions();
    }
}

/// The picture's size and scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ImageFacts {
    /// After orientation.
    pub width_px: usize,
    /// After orientation.
    pub height_px: usize,
    /// EXIF orientation the file carried.
    pub orientation: u8,
    /// At the waist, along the line; `None` where there is no scale.
    pub mm_per_px: Option<f64>,
}

/// The finest place as the fits see it.
#[derive(Debug, Clone, PartialEq)]
pub struct Waist {
    /// Along the strip's surface from the low datum.
    pub position_mm: Estimate,
    /// Along the course.
    pub along_px: f64,
    /// In the picture.
    pub place_px: [f64; 2],
    /// Line width there, blur removed.
    pub kerf_px: Estimate,
    /// The same in millimetres, where the picture has a scale across the line.
    pub kerf_mm: Option<Estimate>,
    /// Surface positions between which the fitted kerf stays within the fraction of its narrowest;
    /// `None` where either lies outside the measured line.
    pub slack_positions_mm: Option<[f64; 2]>,
}

/// One fit of a model of the kerf along the strip.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Which model.
    pub model: Model,
    /// Its waist.
    pub position_mm: Estimate,
    /// True where it enters the answer.
    pub used: bool,
    /// Share of the answer, 0 to 1.
    pub weight: f64,
    /// First and last position of the stations it was fitted to.
    pub range_mm: [f64; 2],
    /// Number of stations it was fitted to.
    pub stations: usize,
    /// Root mean square residual of the kerf, as a fraction of the kerf.
    pub relative_rms: f64,
    /// The fitted curve for drawing: position along the strip and kerf, both in mm; in order of position.
    pub curve: Vec<[f64; 2]>,
    /// Named parameters with their unit in the name.
    pub parameters: BTreeMap<&'static str, f64>,
}

/// The models.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)]
pub enum Model {
    Parabola,
    ThresholdCaustic,
    /// Two-sided caustic whose sides have their own length and overdrive.
    TwoSidedCaustic,
}

impl Model {
    /// Name in JSON.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Parabola => "parabola",
            Self::ThresholdCaustic => "threshold_caustic",
            Self::TwoSidedCaustic => "two_sided_caustic",
        }
    }
}

/// The answer in the bench's terms; a field is `None` where the setup does not carry it.
#[derive(Debug, Clone, PartialEq)]
pub struct Focus {
    /// Along the strip's surface from the low datum: the picture and the fit alone.
    pub position_mm: Estimate,
    /// Of the strip's top surface at the waist.
    pub height_mm: Option<Estimate>,
    /// Gap at the waist.
    pub spacer_mm: Option<Estimate>,
    /// Spacer minus the spacer in use.
    pub change_mm: Option<Estimate>,
    /// Lens to work.
    pub focal_distance_mm: Option<Estimate>,
    /// Narrowest kerf.
    pub kerf_mm: Option<Estimate>,
    /// Height slack.
    pub depth_of_focus_mm: Option<DepthOfFocus>,
}

/// Heights over which the fitted kerf stays within a fraction of its narrowest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DepthOfFocus {
    /// Stated fraction, 0.05 unless asked otherwise.
    pub fraction: f64,
    /// From the focus down to a lower strip (larger gap); positive.
    pub below_mm: f64,
    /// From the focus up to a higher strip; positive.
    pub above_mm: f64,
}

/// What a reading may be told besides the setup.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadOptions {
    /// Growth of the kerf that bounds the height slack, as a fraction.
    pub slack_fraction: f64,
    /// What a person has corrected by hand.
    pub given: Given,
}

impl Default for ReadOptions {
    fn default() -> Self {
        Self { slack_fraction: 0.05, given: Given::default() }
    }
}

/// Stages whose result is given instead of found.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Given {
    /// Two places of the upright picture between which the line runs.
    pub line_px: Option<[[f64; 2]; 2]>,
    /// Places of the low and the high datum.
    pub datums_px: Option<[[f64; 2]; 2]>,
}

/// A request that does not fit the picture.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RequestError {
    /// A given point lies outside.
    #[error("points_px: ({x}, {y}) lies outside the picture, which is {width} × {height} pixels")]
    PointOutside {
        /// Given.
        x: f64,
        /// Given.
        y: f64,
        /// Of the picture.
        width: usize,
        /// Of the picture.
        height: usize,
    },
    /// The area reaches outside.
    #[error("area_px: {x}, {y}, {w}, {h} reaches outside the picture, which is {width} × {height} pixels")]
    AreaOutside {
        /// Given.
        x: f64,
        /// Given.
        y: f64,
        /// Given.
        w: f64,
        /// Given.
        h: f64,
        /// Of the picture.
        width: usize,
        /// Of the picture.
        height: usize,
    },
    /// Whoever watched it said so between two stages.
    #[error("the reading was stopped before it had an answer")]
    Stopped,
}

impl RequestError {
    /// What to do about it.
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::PointOutside { .. } => {
                "give points as seen after the picture's EXIF orientation, origin at the top left"
            }
            Self::AreaOutside { .. } => "give the area as x, y, width, height in pixels inside the upright picture",
            Self::Stopped => "read the picture again",
        }
    }
}

/// A stage of a reading that is over, in the order in which they come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// The picture reduced and the line found in it.
    Find,
    /// Kerfs measured along the line, its ends and breaks looked at.
    Measure,
    /// Course tied to the ramp.
    Tie,
    /// Finest place fitted.
    Fit,
    /// Position made height and block.
    Convert,
}

impl Stage {
    /// Name in tables.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Find => "find",
            Self::Measure => "stations",
            Self::Tie => "tie to ramp",
            Self::Fit => "fit",
            Self::Convert => "convert",
        }
    }
}

/// Is told of every stage that is over, and says whether to go on.
type Watch<'a> = &'a mut (dyn FnMut(Stage) -> ControlFlow<()> + Send);

/// Why no further stage follows.
enum Halt {
    Refused(Refusal),
    Stopped,
}

impl From<Refusal> for Halt {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(refusal)
    }
}

/// Tells of a stage that is over.
fn told(over: Watch<'_>, stage: Stage) -> Result<(), Halt> {
    match over(stage) {
        ControlFlow::Continue(()) => Ok(()),
        ControlFlow::Break(()) => Err(Halt::Stopped),
    }
}

/// A refusal belongs to the reading; a stop ends it.
fn unless_stopped<T>(outcome: Result<T, Halt>) -> Result<Result<T, Refusal>, RequestError> {
    match outcome {
        Ok(found) => Ok(Ok(found)),
        Err(Halt::Refused(refusal)) => Ok(Err(refusal)),
        Err(Halt::Stopped) => Err(RequestError::Stopped),
    }
}

/// Reads one picture: in plain light and, where that gives no answer and the picture has colours, once more in its red light.
///
/// # Errors
/// [`RequestError`] where the setup's points or area do not lie in the picture. A picture that gets no number is no
/// error: its [`Reading::outcome`] is a refusal.
pub fn read(photo: &Photo, setup: &Setup, options: &ReadOptions) -> Result<Reading, RequestError> {
    read_watched(photo, setup, options, &mut |_| {})
}

/// As [`read`], and tells of every stage as soon as it is over: for whoever wants to know what each costs. A refusal ends
/// with the stage that refused, which is not told of; a second look begins again with the first stage.
///
/// # Errors
/// As [`read`].
pub fn read_watched(
    photo: &Photo,
    setup: &Setup,
    options: &ReadOptions,
    over: &mut (dyn FnMut(Stage) + Send),
) -> Result<Reading, RequestError> {
    let over: Watch<'_> = &mut |stage| {
        over(stage);
        ControlFlow::Continue(())
    };
    // Nothing is kept for another reading: a second look has the room of the first.
    in_turn(photo, setup, options, None, over).map(|(reading, _)| reading)
}

/// Reads one picture again, where only lengths or the ramp's ends have changed without finding and measuring the line
/// anew. `kept` is what an earlier reading of the *same* picture gave; it is used where it still holds. The reading is the
/// one that [`read`] gives.
///
/// # Errors
/// As [`read`].
pub fn read_again(
    photo: &Photo,
    setup: &Setup,
    options: &ReadOptions,
    kept: Option<Arc<KeptLines>>,
) -> Result<(Reading, Arc<KeptLines>), RequestError> {
    read_again_watched(photo, setup, options, kept, &mut |_| ControlFlow::Continue(()))
}

/// As [`read_again`], and asks after every stage whether to go on.
///
/// # Errors
/// As [`read`], and [`RequestError::Stopped`] where `over` says to stop.
pub fn read_again_watched(
    photo: &Photo,
    setup: &Setup,
    options: &ReadOptions,
    kept: Option<Arc<KeptLines>>,
    over: &mut (dyn FnMut(Stage) -> ControlFlow<()> + Send),
) -> Result<(Reading, Arc<KeptLines>), RequestError> {
    let kept = kept.as_deref().cloned().unwrap_or_default();
    in_turn(photo, setup, options, Some(kept), over).map(|(reading, lines)| (reading, Arc::new(lines)))
}

/// In plain light and, where that gives no answer, in red; what was measured is kept where something is said of what was kept.
fn in_turn(
    photo: &Photo,
    setup: &Setup,
    options: &ReadOptions,
    kept: Option<KeptLines>,
    over: Watch<'_>,
) -> Result<(Reading, KeptLines), RequestError> {
    check_request(photo, setup)?;
    // One change to the threads that share the work, instead of one for every piece of it.
    rayon::scope(|_| {
        let is_kept = kept.is_some();
        let kept = kept.unwrap_or_default();
        let (plain, line) = look(photo, setup, options, kept.plain, over)?;
        // Where its end cannot be seen no other light shows it.
        let is_by_ends = setup.picture.datum == Datum::Ends && options.given.datums_px.is_none();
        let is_settled = plain.outcome.is_ok() || (is_by_ends && line.runs_off_the_strip());
        let mut lines = KeptLines { plain: is_kept.then_some(line), red: kept.red };
        if is_settled {
            return Ok((plain, lines));
        }
        let Some(red_photo) = photo.in_red() else { return Ok((plain, lines)) };
        let (mut red, line) = look(&red_photo, setup, options, lines.red, over)?;
        lines.red = is_kept.then_some(line);
        let reading = if second_look::is_believed(photo, &red_photo, &red) {
            red.light = Light::Red;
            red.add_caution(second_look::caution());
            red
        } else {
            plain
        };
        Ok((reading, lines))
    })
}

/// The lines of a picture as measured in plain light and, where that gave no answer, in red light.
#[derive(Debug, Clone, Default)]
pub struct KeptLines {
    plain: Option<Arc<MeasuredLine>>,
    red: Option<Arc<MeasuredLine>>,
}

/// One look at a picture in one light.
fn look(
    photo: &Photo,
    setup: &Setup,
    options: &ReadOptions,
    kept: Option<Arc<MeasuredLine>>,
    over: Watch<'_>,
) -> Result<(Reading, Arc<MeasuredLine>), RequestError> {
    let asked = Asked::of(setup, options);
    let line = match kept {
        Some(kept) if kept.asked == asked => kept,
        kept => {
            let coarse = kept
                .filter(|kept| kept.asked.area_px == asked.area_px)
                .map_or_else(|| Arc::new(Coarse::new(photo, asked.area_px)), |kept| Arc::clone(&kept.coarse));
            Arc::new(MeasuredLine::new(photo, asked, coarse, over)?)
        }
    };
    Ok((conclude(photo, setup, options, &line, over)?, line))
}

/// The line of a picture, found and measured in pixels, before any length enters.
#[derive(Debug, Clone)]
struct MeasuredLine {
    asked: Asked,
    coarse: Arc<Coarse>,
    /// The course as far as one was found, also where it was refused afterwards.
    course: Option<Course>,
    stations: Vec<Station>,
    quality: Option<LineQuality>,
    found: Result<FoundLine, Refusal>,
}

/// Everything that decides which line is found.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Asked {
    area_px: Option<[f64; 4]>,
    line_px: Option<[[f64; 2]; 2]>,
    said: Said,
}

impl Asked {
    const fn of(setup: &Setup, options: &ReadOptions) -> Self {
        let datum = &setup.picture.datum;
        Self {
            area_px: setup.picture.area_px,
            line_px: options.given.line_px,
            said: Said {
                through_px: datum.places_on_the_line(),
                has_marks: matches!(datum, Datum::Marks { .. }),
                ends_show: matches!(datum, Datum::Ends | Datum::Strip),
            },
        }
    }
}

/// What the later stages need of a line that was not refused.
#[derive(Debug, Clone)]
struct FoundLine {
    course: Course,
    guide: WidthGuide,
    ends: [LineEnd; 2],
    quality: LineQuality,
    blur_px: f64,
    side_log_ratio: f64,
    edges: OnceLock<[Option<EdgeLine>; 2]>,
}

impl MeasuredLine {
    fn new(photo: &Photo, asked: Asked, coarse: Arc<Coarse>, over: Watch<'_>) -> Result<Self, RequestError> {
        let mut line = Self {
            asked,
            coarse,
            course: None,
            stations: Vec::new(),
            quality: None,
            found: Err(advice::no_course(NoCourse::NoLine)),
        };
        line.found = unless_stopped(line.find(photo, over))?;
        Ok(line)
    }

    /// True where an end of the line is the strip's.
    fn runs_off_the_strip(&self) -> bool {
        self.found.as_ref().is_ok_and(|found| found.ends.iter().any(|end| end.leaves_strip))
    }

    /// Stages 2 and 4; each stores what it found before the next begins.
    fn find(&mut self, photo: &Photo, over: Watch<'_>) -> Result<FoundLine, Halt> {
        // 2: find
        let choice = match self.asked.line_px {
            Some(line) => choose::along(photo, &self.coarse, line),
            None => choose::choose(photo, &self.coarse, self.asked.said),
        };
        let candidate = match choice {
            Choice::One(candidate) => *candidate,
            Choice::None => return Err(advice::no_course(NoCourse::NoLine).into()),
            Choice::Several(several) => {
                self.course = several.first().map(|c| c.course.clone());
                return Err(advice::no_course(NoCourse::SeveralLines { found: several.len() }).into());
            }
        };
        self.course = Some(candidate.course.clone());
        if parts_in_two(photo, &candidate) {
            return Err(advice::no_course(NoCourse::Crossing).into());
        }
        let (course, guide) = (candidate.course, candidate.guide);
        told(over, Stage::Find)?;

        // 4: measure, in pixels
        let whole = [course.start_px, course.end_px];
        let measured = measure(photo, &course, &guide, whole, &MeasureOptions::default());
        self.stations = measured.stations;
        let ends = ends::find(photo, &course, &guide, &self.stations, measured.blur_px);
        let course = course.with_extent(ends[0].along_px, ends[1].along_px);
        self.course = Some(course.clone());
        let breaks = breaks::find(photo, &course, &guide, &self.stations);
        quality::leave_out_ends(&mut self.stations, [course.start_px, course.end_px]);
        leave_out_astray(&mut self.stations);
        let quality = quality::quality(&course, &self.stations, measured.blur_px);
        self.quality = Some(quality.clone());
        if breaks.is_broken() {
            return Err(advice::no_course(NoCourse::Broken(breaks)).into());
        }
        told(over, Stage::Measure)?;
        Ok(FoundLine {
            course,
            guide,
            ends,
            quality,
            blur_px: measured.blur_px,
            side_log_ratio: measured.side_log_ratio,
            edges: OnceLock::new(),
        })
    }
}

/// The stages after the line: lengths enter here.
fn conclude(
    photo: &Photo,
    setup: &Setup,
    options: &ReadOptions,
    line: &MeasuredLine,
    over: Watch<'_>,
) -> Result<Reading, RequestError> {
    let mut reading = Reading {
        image: ImageFacts {
            width_px: photo.width(),
            height_px: photo.height(),
            orientation: photo.orientation,
            mm_per_px: None,
        },
        light: Light::Luminance,
        course: line.course.clone(),
        outline_px: None,
        tie: None,
        stations: line.stations.clone(),
        fits: Vec::new(),
        line: line.quality.clone(),
        waist: None,
        outcome: Err(advice::no_course(NoCourse::NoLine)),
        cautions: Vec::new(),
    };
    reading.outcome = match &line.found {
        Ok(found) => unless_stopped(run(photo, setup, options, (line, found), &mut reading, over))?,
        Err(refusal) => Err(refusal.clone()),
    };
    if reading.outcome.is_err() {
        reading.waist = None;
    }
    reading.order_cautions();
    Ok(reading)
}

fn check_request(photo: &Photo, setup: &Setup) -> Result<(), RequestError> {
    let [width, height] = [photo.width(), photo.height()];
    if let Datum::Points { points_px, .. } = &setup.picture.datum {
        for [x, y] in *points_px {
            if x < 0.0 || y < 0.0 || x > width as f64 || y > height as f64 {
                return Err(RequestError::PointOutside { x, y, width, height });
            }
        }
    }
    if let Some([x, y, w, h]) = setup.picture.area_px
        && (x < 0.0 || y < 0.0 || w < 1.0 || h < 1.0 || x + w > width as f64 || y + h > height as f64)
    {
        return Err(RequestError::AreaOutside { x, y, w, h, width, height });
    }
    Ok(())
}

/// Stages 3, 5 and 6; each stores what it found before the next begins, so that a refusal shows how far it came.
fn run(
    photo: &Photo,
    setup: &Setup,
    options: &ReadOptions,
    (line, found): (&MeasuredLine, &FoundLine),
    reading: &mut Reading,
    over: Watch<'_>,
) -> Result<Focus, Halt> {
    let course = &found.course;

    // 3: tie to the ramp; pixels become millimetres here and nowhere else
    let at_hand =
        Found { photo, coarse: &line.coarse, course, guide: &found.guide, ends: &found.ends, edges: &found.edges };
    let tied = anchor::tie(&at_hand, setup, options.given.datums_px).map_err(|why| advice::no_tie(&why))?;
    let tie = tied.tie;
    reading.outline_px = tied.outline_px;
    reading.cautions.extend(tied.cautions);
    for station in &mut reading.stations {
        station.position_mm = Some(tie.at(station.along_px).position_mm);
        station.kerf_mm = Some(station.kerf_px * tie.mm_per_px(station.along_px));
    }
    let quality = quality::with_scale(found.quality.clone(), &reading.stations, &tie, found.side_log_ratio);
    reading.line = Some(quality.clone());
    reading.tie = Some(tie.clone());
    told(over, Stage::Tie)?;

    // 5: fit
    let (fits, fitted) = waist::find(&mut reading.stations, course.is_dark, options.slack_fraction);
    reading.fits = fits;
    let fitted = fitted.map_err(|why| {
        // In a picture this blurred the widths say nothing, of the ends neither.
        match quality::drowned_in_blur(&reading.stations, found.blur_px) {
            Some(kerf_px) => advice::no_course(NoCourse::Unresolved { kerf_px, blur_px: found.blur_px }),
            None => advice::no_waist(why, setup),
        }
    })?;
    if setup.picture.datum == Datum::Ends
        && options.given.datums_px.is_none()
        && let Some(is_low) = quality::faded_end(&reading.stations)
    {
        return Err(advice::no_tie(&TieError::EndFades { is_low }).into());
    }
    let fitted = if tied.is_scan { fitted } else { fitted.photographed() };
    let waist = fitted.waist(course, &tie, found.blur_px);
    reading.image.mm_per_px = Some(tie.mm_per_px(waist.along_px));
    if !fitted.is_resolved(waist.kerf_px.value, found.blur_px) {
        let why = NoCourse::Unresolved { kerf_px: waist.kerf_px.value, blur_px: found.blur_px };
        return Err(advice::no_course(why).into());
    }
    if !fitted.is_one_stroke(setup.ramp.rise.value / setup.ramp.span_mm) {
        return Err(advice::no_course(NoCourse::Filled { kerf_mm: fitted.kerf_mm.value }).into());
    }
    if !course.is_straight() {
        return Err(advice::no_course(NoCourse::Bowed { bow: course.bow() }).into());
    }
    reading.cautions.extend(doubts::of_the_fit(&fitted, &quality, waist.kerf_px.value));
    told(over, Stage::Fit)?;

    // 6: convert
    let (focus, cautions) =
        height::convert(waist.position_mm, waist.kerf_mm, waist.slack_positions_mm, options.slack_fraction, setup);
    reading.waist = Some(waist);
    reading.cautions.extend(cautions);
    told(over, Stage::Convert)?;
    Ok(focus)
}
