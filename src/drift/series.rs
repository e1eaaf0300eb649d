//! The readings of one machine, lens and axis in the order of time, and the stretches between baselines.

use jiff::Timestamp;

use super::shift::Measured;
use crate::estimate::Estimate;
use crate::logbook::baseline::{self, Because, Series, Start};
use crate::logbook::{Entry, Event, LineFacts, RecordId, Slack, When};
use crate::setup::Burn;

/// What is asked of the logbook.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Question {
    /// Name of the machine.
    pub machine: String,
    /// Name of the lens; `None`: that of the machine's newest reading.
    pub lens: Option<String>,
    /// Axis the line ran along; `None`: that of the newest reading with that lens.
    pub axis: Option<String>,
    /// All readings as one series, whatever was taken out and refitted between them.
    pub over_all: bool,
    /// Only readings from this moment on.
    pub since: Option<Timestamp>,
    /// Today's block; `None`: the one the newest reading names.
    pub spacer_in_use_mm: Option<f64>,
}

/// One reading of the series. Lengths in mm.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Its number in the logbook.
    pub id: RecordId,
    /// When it was burned.
    pub when: When,
    /// Days since the series' first reading.
    pub days: f64,
    /// The picture it was read from.
    pub picture: String,
    /// Gap at the waist; `None` where the reading has none.
    pub spacer: Option<Estimate>,
    /// Standard uncertainty of the spacer from the picture and the fit alone.
    pub repeatability: f64,
    /// Height slack.
    pub slack: Option<Slack>,
    /// The block in use on that day.
    pub spacer_in_use: Option<f64>,
    /// Narrowest line width.
    pub kerf: Option<Estimate>,
    /// Heights over which the line is visible, below the focus and above it.
    pub reach: Option<[f64; 2]>,
    /// True on a side where the line does not fade but ends, so that its reach is at least this.
    pub is_reach_cut: [bool; 2],
    /// What the line is like.
    pub line: Option<LineFacts>,
    /// Height per length along the surface.
    pub slope: f64,
    /// Travel per length along the surface.
    pub level_share: f64,
    /// How it was burned.
    pub burn: Burn,
    /// Codes of its cautions.
    pub cautions: Vec<crate::cautions::CautionCode>,
    /// Number of its stretch, from 0.
    pub stretch: usize,
    /// True where its spacer lies outside its stretch's limits.
    pub is_out: bool,
}

impl Point {
    /// The spacer for comparison with others.
    pub fn measured(&self) -> Option<Measured> {
        let spacer = self.spacer?;
        let whole = spacer.standard_uncertainty;
        Some(Measured { value: spacer.value, repeatability: self.repeatability, whole })
    }

    /// Both sides' reach together.
    pub fn reach_total(&self) -> Option<f64> {
        self.reach.map(|[below, above]| below + above)
    }
}

/// Readings of the machine that are not in the series, by why.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LeftOut {
    /// They gave no answer.
    pub refused: usize,
    /// They ran along another axis.
    pub other_axis: usize,
    /// The same picture was kept again later.
    pub same_picture: usize,
    /// They have no spacer: in the series, but not in the focus.
    pub no_spacer: usize,
    /// They are older than asked for.
    pub too_old: usize,
}

/// The readings between two baselines.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// Why it begins; empty for the first.
    pub opened_by: Vec<Start>,
    /// Its readings, as places in the series.
    pub range: std::ops::Range<usize>,
}

/// A series ready to be judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Readings {
    /// Machine.
    pub machine: String,
    /// Lens.
    pub lens: Option<String>,
    /// Axis.
    pub axis: Option<String>,
    /// In the order of time.
    pub points: Vec<Point>,
    /// What is not among them.
    pub left_out: LeftOut,
    /// In the order of time; the last may be empty.
    pub stretches: Vec<Stretch>,
    /// What was done to the machine, in the order of time.
    pub events: Vec<Event>,
}

/// Beyond the datum, or this close to it, a line ends because the beam was switched off.
const AT_END_MM: f64 = 1.5;

impl Readings {
    /// Chooses and sorts what belongs to a question. The order in which readings and events come does not matter.
    pub fn of(entries: &[Entry], events: &[Event], question: &Question) -> Self {
        let newest_first = |a: &&Entry, b: &&Entry| key(b).partial_cmp(&key(a)).unwrap_or(std::cmp::Ordering::Equal);
        let mut here: Vec<&Entry> =
            entries.iter().filter(|e| e.is_current() && e.machine == question.machine).collect();
        here.sort_by(newest_first);
        let lens = question.lens.clone().or_else(|| here.first().and_then(|e| e.lens.clone()));
        here.retain(|entry| entry.lens == lens);
        let axis = question.axis.clone().or_else(|| here.first().and_then(|e| e.axis().map(str::to_owned)));
        let mut left_out = LeftOut::default();
        let mut pictures: Vec<&str> = Vec::new();
        let mut chosen: Vec<&Entry> = Vec::new();
        for entry in here {
            let hash = entry.picture.sha256.as_deref();
            if question.since.is_some_and(|since| entry.at() < since) {
                left_out.too_old += 1;
            } else if !is_same(entry.axis(), axis.as_deref()) {
                left_out.other_axis += 1;
            } else if entry.refusal.is_some() || entry.focus.position_mm.is_none() {
                left_out.refused += 1;
            } else if hash.is_some_and(|hash| pictures.contains(&hash)) {
                left_out.same_picture += 1;
            } else {
                pictures.extend(hash);
                chosen.push(entry);
            }
        }
        chosen.reverse();
        left_out.no_spacer = chosen.iter().filter(|e| e.focus.spacer_mm.is_none()).count();
        let mut done: Vec<Event> =
            events.iter().filter(|e| e.is_current() && e.machine == question.machine).cloned().collect();
        done.sort_by_key(|event| (event.at(), event.kind, event.id));
        let starts = if question.over_all {
            Vec::new()
        } else {
            baseline::starts(Series::Focus, &question.machine, lens.as_deref(), entries, events)
        };
        let first = chosen.first().map(|entry| entry.at());
        let mut points: Vec<Point> = chosen.into_iter().map(|entry| point(entry, first)).collect();
        let stretches = stretches(&mut points, &starts);
        Self { machine: question.machine.clone(), lens, axis, points, left_out, stretches, events: done }
    }

    /// The stretch that is going on.
    pub fn current(&self) -> &Stretch {
        self.stretches.last().expect("there is always one")
    }

    /// The readings of a stretch that have a spacer.
    pub fn with_spacer(&self, stretch: &Stretch) -> Vec<&Point> {
        self.points[stretch.range.clone()].iter().filter(|p| p.spacer.is_some()).collect()
    }

    /// Days from the first reading to a moment; 0 where there is no reading.
    pub fn days(&self, at: Timestamp) -> f64 {
        self.points.first().map_or(0.0, |first| days(first.when.at, at))
    }
}

/// Order of time; where two have one time, what they say decides, so that the order in which they were kept does not.
fn key(entry: &Entry) -> (Timestamp, f64, &str, &str) {
    let place = entry.focus.spacer_mm.or(entry.focus.position_mm).map_or(0.0, |e| e.value);
    (entry.at(), place, entry.picture.name.as_str(), entry.uid.as_str())
}

/// Axes are typed by hand.
fn is_same(one: Option<&str>, other: Option<&str>) -> bool {
    let plain = |axis: Option<&str>| axis.map(|a| a.trim().to_lowercase()).filter(|a| !a.is_empty());
    plain(one) == plain(other)
}

fn days(from: Timestamp, to: Timestamp) -> f64 {
    (to.as_second() - from.as_second()) as f64 / 86_400.0
}

fn point(entry: &Entry, first: Option<Timestamp>) -> Point {
    let visible = entry.line.as_ref().and_then(|line| line.visible_mm);
    let is_reach_cut =
        visible.map_or([false; 2], |[low, high]| [low < AT_END_MM, high > entry.ramp.span_mm - AT_END_MM]);
    let whole = entry.focus.spacer_mm.map_or(0.0, |spacer| spacer.standard_uncertainty);
    Point {
        id: entry.id,
        when: entry.when,
        days: first.map_or(0.0, |first| days(first, entry.at())),
        picture: entry.picture.name.clone(),
        spacer: entry.focus.spacer_mm,
        repeatability: entry.repeatability_u_mm().unwrap_or(whole),
        slack: entry.focus.slack,
        spacer_in_use: entry.head.spacer_in_use_mm,
        kerf: entry.focus.kerf_mm,
        reach: entry.reach_mm(),
        is_reach_cut,
        line: entry.line.clone(),
        slope: entry.ramp.slope(),
        level_share: if entry.ramp.span_mm > 0.0 { entry.ramp.travel_mm / entry.ramp.span_mm } else { 1.0 },
        burn: entry.burn.clone(),
        cautions: entry.cautions.iter().map(|caution| caution.code).collect(),
        stretch: 0,
        is_out: false,
    }
}

/// Cuts the series where the focus starts anew. Starts between which there is no reading open one stretch together.
fn stretches(points: &mut [Point], starts: &[Start]) -> Vec<Stretch> {
    let mut stretches = vec![Stretch { opened_by: Vec::new(), range: 0..0 }];
    let mut begin = 0;
    for start in starts {
        let end = points.iter().take_while(|p| is_before(p, start)).count();
        let last = stretches.last_mut().expect("it begins with one");
        last.range = begin..end;
        if end > begin {
            stretches.push(Stretch { opened_by: vec![*start], range: end..end });
            begin = end;
        } else if end > 0 {
            last.opened_by.push(*start);
        }
    }
    stretches.last_mut().expect("it begins with one").range = begin..points.len();
    for (number, stretch) in stretches.iter().enumerate() {
        for point in &mut points[stretch.range.clone()] {
            point.stretch = number;
        }
    }
    stretches
}

/// A reading of the very moment of a start belongs to it where the reading itself tells of it, and else after it too.
fn is_before(point: &Point, start: &Start) -> bool {
    match start.because {
        Because::Event(_) => point.when.at < start.at,
        Because::OtherLens(id) | Because::Settings(id) => point.when.at < start.at && point.id != id,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::logbook::EventKind;

    fn entry(day: i64, spacer: f64) -> Entry {
        Entry {
            id: day,
            when: When::from(Timestamp::from_second(day * 86_400).unwrap()),
            machine: "north".to_owned(),
            focus: crate::logbook::FocusFacts {
                position_mm: Some(Estimate::new(20.0, 0.5)),
                spacer_mm: Some(Estimate::new(spacer, 0.2)),
                ..Default::default()
            },
            ramp: crate::logbook::RampFacts { travel_mm: 99.5, span_mm: 100.0, rise_mm: Estimate::new(10.0, 0.1) },
            ..Entry::default()
        }
    }

    fn refit(day: i64) -> Event {
        Event {
            id: 1000 + day,
            when: When::from(Timestamp::from_second(day * 86_400).unwrap()),
            machine: "north".to_owned(),
            kind: EventKind::LensRefitted,
            ..Event::default()
        }
    }

    fn north() -> Question {
        Question { machine: "north".to_owned(), ..Question::default() }
    }

    #[test]
    fn what_heights_and_head_have_in_common_is_not_in_the_repeatability() {
        let readings = Readings::of(&[entry(1, 7.0)], &[], &north());
        // 0.5 mm along the strip on a slope of 1:10.
        assert!((readings.points[0].repeatability - 0.05).abs() < 1e-12);
        assert_eq!(readings.points[0].measured().unwrap().whole, 0.2);
    }

    #[test]
    fn stretches_begin_where_the_focus_starts_anew() {
        let entries = [entry(30, 7.3), entry(1, 7.0), entry(12, 7.1)];
        let lengths = |events: &[Event], question: &Question| {
            let readings = Readings::of(&entries, events, question);
            readings.stretches.iter().map(|s| (s.opened_by.len(), s.range.len())).collect::<Vec<_>>()
        };
        assert_eq!(lengths(&[], &north()), [(0, 3)]);
        assert_eq!(lengths(&[refit(20), refit(22)], &north()), [(0, 2), (2, 1)]);
        assert_eq!(lengths(&[refit(40)], &north()), [(0, 3), (1, 0)]);
        assert_eq!(lengths(&[refit(0)], &north()), [(0, 3)]);
        assert_eq!(lengths(&[refit(20)], &Question { over_all: true, ..north() }), [(0, 3)]);
    }

    #[test]
    fn what_does_not_belong_is_counted() {
        let mut entries = vec![entry(1, 7.0), entry(2, 7.0), entry(3, 7.0), entry(4, 7.0), entry(5, 7.0)];
        entries[0].burn.run_along = Some("y".to_owned());
        entries[1].refusal = Some(crate::refusal::Refusal::new(crate::refusal::RefusalCode::NoLine, "", ""));
        entries[2].picture.sha256 = Some("a".repeat(64));
        entries[3].picture.sha256 = Some("a".repeat(64));
        entries[4].focus.spacer_mm = None;
        let readings = Readings::of(&entries, &[], &north());
        assert_eq!(readings.points.iter().map(|p| p.id).collect::<Vec<_>>(), [4, 5]);
        let expected = LeftOut { refused: 1, other_axis: 1, same_picture: 1, no_spacer: 1, too_old: 0 };
        assert_eq!(readings.left_out, expected);
    }
}
