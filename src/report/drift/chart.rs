//! The block against the date, and below it on the same axis the line's width and how far the line survives.
//!
//! Everything is told apart by its shape or its dashes, and only then by its colour, so that a grey print and a reader who
//! sees fewer colours lose nothing.

use image::RgbImage;
use jiff::Timestamp;
use jiff::tz::Offset;
use plotters::prelude::*;
use plotters::style::RGBColor;
use plotters::style::text_anchor::HPos;

use super::super::lettering;
use super::super::painter::{
    self, Drawing, Drawn, EM, FAINT_INK, Frame, GRID, INK, Letters, Painter, SMALL_EM, Shape, TITLE_EM, round_step,
};
use super::super::rounding::fixed;
use super::{calendar, whose};
use crate::drift::outlook::{Outlook, slack_band};
use crate::drift::sentence::sentence;
use crate::drift::{Code, Drift, Point, Trend, Verdict};
use crate::estimate::COVERAGE_FACTOR;
use crate::logbook::baseline::{Because, burned_alike};
use crate::logbook::{Event, EventKind};
use crate::printable::printable;

/// Width and height of the sheet in pixels; of an SVG, in its own units.
pub const SHEET: [u32; 2] = [1600, 1240];

const SLACK: RGBColor = RGBColor(232, 232, 232);
const SLACK_EDGE: RGBColor = RGBColor(150, 150, 150);
const TREND: RGBColor = RGBColor(140, 85, 0);
const TREND_BAND: RGBColor = RGBColor(250, 222, 170);
const LIMIT: RGBColor = RGBColor(0, 80, 140);
/// From this many readings on they are drawn small.
const MANY: usize = 60;

/// The chart as SVG text; `None` where there is no reading to draw.
pub fn draw_svg(drift: &Drift) -> Option<String> {
    Some(painter::svg(SHEET, &Sheet::new(drift)?))
}

/// The chart as a picture; `None` where there is no reading to draw.
pub fn draw_png(drift: &Drift) -> Option<RgbImage> {
    Some(painter::png(SHEET, &Sheet::new(drift)?))
}

/// Letter of an event's mark.
const fn letter(kind: EventKind) -> &'static str {
    match kind {
        EventKind::LensRefitted => "L",
        EventKind::LensCleaned => "C",
        EventKind::MirrorsCleaned => "M",
        EventKind::MirrorsAligned => "A",
        EventKind::TubeReplaced => "T",
        EventKind::HeadRefitted => "H",
        EventKind::Other => "?",
    }
}

/// What the chart shows, before it has a place on the sheet.
struct Sheet<'a> {
    drift: &'a Drift,
    title: Vec<String>,
    origin: Timestamp,
    offset: Offset,
    /// Days from the first reading.
    days: [f64; 2],
    blocks: [f64; 2],
    widths: Option<[f64; 2]>,
    reaches: Option<[f64; 2]>,
    /// Days and letters of what was done, and whether the focus starts anew there.
    marks: Vec<Mark>,
    /// From day, to day, block in use.
    in_use: Vec<[f64; 3]>,
    is_many: bool,
}

struct Mark {
    day: f64,
    letter: &'static str,
    is_baseline: bool,
}

impl<'a> Sheet<'a> {
    fn new(drift: &'a Drift) -> Option<Self> {
        let readings = &drift.readings;
        let points = &readings.points;
        let (first, last) = (points.first()?, points.last()?);
        let title = format!("{}. {}", capital(&whose(readings)), sentence(drift));
        let marks = marks(drift);
        let days = days(drift, last.days, &marks);
        Some(Self {
            drift,
            title: title_lines(&printable(&title)),
            origin: first.when.at,
            offset: last.when.offset,
            days,
            blocks: blocks(drift, days),
            widths: widths(points),
            reaches: reaches(points),
            marks: marks.into_iter().filter(|mark| (days[0]..=days[1]).contains(&mark.day)).collect(),
            in_use: in_use(drift, days),
            is_many: points.len() >= MANY,
        })
    }

    fn moment(&self, days: f64) -> Timestamp {
        Timestamp::from_second(self.origin.as_second() + (days * 86_400.0).round() as i64).unwrap_or(self.origin)
    }

    fn band(&self, block: f64) -> Option<[f64; 2]> {
        Some(slack_band(block, self.drift.slack?))
    }

    /// Kinds of events among the marks, in the order of their letters' legend.
    fn kinds(&self) -> Vec<EventKind> {
        let has = |kind: &EventKind| self.marks.iter().any(|mark| mark.letter == letter(*kind));
        EventKind::ALL.into_iter().filter(has).collect()
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn title_lines(text: &str) -> Vec<String> {
    let mut lines = lettering::wrap(text, TITLE_EM, f64::from(SHEET[0]) - 120.0);
    if lines.len() > 4 {
        lines.truncate(4);
        lines[3].push('…');
    }
    lines
}

fn marks(drift: &Drift) -> Vec<Mark> {
    let readings = &drift.readings;
    let of = |event: &Event| Mark {
        day: readings.days(event.at()),
        letter: letter(event.kind),
        is_baseline: event.kind.starts_focus() && !drift.is_over_all,
    };
    let unrecorded = readings.stretches.iter().flat_map(|stretch| &stretch.opened_by).filter_map(|start| {
        let is_unrecorded = matches!(start.because, Because::OtherLens(_));
        is_unrecorded.then(|| Mark { day: readings.days(start.at), letter: "L", is_baseline: true })
    });
    let mut marks: Vec<Mark> = readings.events.iter().map(of).chain(unrecorded).collect();
    marks.sort_by(|a, b| a.day.total_cmp(&b.day));
    marks
}

/// From a little before the first reading to a little after the last, or to where the trend leaves the slack, as far as
/// that does not press the readings together; an event after the last reading is shown too.
fn days(drift: &Drift, last: f64, marks: &[Mark]) -> [f64; 2] {
    let span = last.max(14.0);
    let until = match &drift.verdict {
        Verdict::Drifting(Outlook::Leaves { earliest, latest }) => {
            drift.readings.days(latest.unwrap_or(*earliest)).min(last + 0.45 * span)
        }
        _ => last,
    };
    let until = marks.iter().map(|mark| mark.day).filter(|day| *day < last + 0.3 * span).fold(until, f64::max);
    [-0.03 * span, until + 0.03 * span]
}

fn blocks(drift: &Drift, days: [f64; 2]) -> [f64; 2] {
    let mut values: Vec<f64> = Vec::new();
    for point in &drift.readings.points {
        if let Some(spacer) = point.spacer {
            values.extend([-1.0, 1.0].map(|sign| spacer.value + sign * spacer.expanded()));
        }
    }
    for judged in drift.judged.iter().filter(|judged| judged.has_limits()) {
        values.extend(judged.chart.into_iter().flat_map(|chart| chart.limits()));
    }
    let [least, most] = ends(&values).unwrap_or([0.0, 1.0]);
    // The slack and the trend are shown as far as they do not press the readings flat.
    let room = (most - least).max(0.2);
    let slack = drift.spacer_in_use.zip(drift.slack).map(|(block, slack)| slack_band(block, slack));
    let trend = drift.judged.last().and_then(|j| j.trend).map(|trend| trend.course.line.at(days[1]));
    let wished = slack.into_iter().flatten().chain(trend).map(|v| v.clamp(least - 1.2 * room, most + 1.2 * room));
    let [least, most] = ends(&wished.chain([least, most]).collect::<Vec<f64>>()).unwrap_or([least, most]);
    widened([least, most], 0.06, 0.14)
}

fn widths(points: &[Point]) -> Option<[f64; 2]> {
    let values: Vec<f64> = points
        .iter()
        .filter_map(|p| p.kerf)
        .flat_map(|kerf| [kerf.value - kerf.expanded(), kerf.value + kerf.expanded()])
        .collect();
    ends(&values).map(|ends| widened(ends, 0.12, 0.12))
}

fn reaches(points: &[Point]) -> Option<[f64; 2]> {
    let values: Vec<f64> = points.iter().filter_map(|p| p.reach).flat_map(|[below, above]| [-below, above]).collect();
    ends(&values).map(|ends| widened(ends, 0.12, 0.12))
}

fn ends(values: &[f64]) -> Option<[f64; 2]> {
    let finite = values.iter().copied().filter(|v| v.is_finite());
    let [least, most] = finite.fold([f64::MAX, f64::MIN], |[a, b], v| [a.min(v), b.max(v)]);
    (least <= most).then_some([least, most])
}

fn widened([least, most]: [f64; 2], below: f64, above: f64) -> [f64; 2] {
    let room = (most - least).max(0.05 * most.abs()).max(1e-3);
    [least - below * room, most + above * room]
}

/// Stretches of days with one block in use, as the readings tell it; today's block holds from the newest reading on.
fn in_use(drift: &Drift, days: [f64; 2]) -> Vec<[f64; 3]> {
    let mut pieces: Vec<[f64; 3]> = Vec::new();
    let told = drift.readings.points.iter().filter_map(|p| Some((p.days, p.spacer_in_use?)));
    let last = drift.readings.points.last().map_or(0.0, |p| p.days);
    for (day, block) in told.chain(drift.spacer_in_use.map(|block| (last, block))) {
        match pieces.last_mut() {
            Some(piece) if (piece[2] - block).abs() < 1e-9 => {}
            Some(piece) => {
                piece[1] = day;
                pieces.push([day, days[1], block]);
            }
            None => pieces.push([days[0], days[1], block]),
        }
    }
    pieces.retain(|[from, to, _]| to > from);
    pieces
}

impl Drawing for Sheet<'_> {
    fn paint<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>) -> Drawn<DB> {
        painter.area.fill(&WHITE)?;
        let [width, height] = SHEET.map(f64::from);
        let keys = self.keys();
        let rows = rows(&keys, width - 120.0);
        let legend_top = height - 18.0 - rows.len() as f64 * SMALL_EM * 1.6;
        for (index, line) in self.title.iter().enumerate() {
            let y = 20.0 + (index as f64 + 0.5) * TITLE_EM * 1.3;
            painter.text([60.0, y], TITLE_EM, INK, HPos::Left, line)?;
        }
        let top = 30.0 + self.title.len() as f64 * TITLE_EM * 1.3;
        let bottom = legend_top - 58.0;
        let small = [self.widths, self.reaches].iter().flatten().count() as f64;
        let each = 0.19 * (bottom - top);
        let gap = 22.0;
        let frame = |top: f64, bottom: f64, up: [f64; 2]| Frame {
            left: 118.0,
            right: width - 50.0,
            top,
            bottom,
            across: self.days,
            up,
        };
        let main = frame(top, bottom - small * (each + gap), self.blocks);
        let mut below = main.bottom;
        self.background(painter, &main)?;
        self.axes(painter, &main, "block that fits (mm)", 8.0)?;
        self.focus(painter, &main)?;
        if let Some(widths) = self.widths {
            let frame = frame(below + gap, below + gap + each, widths);
            below = frame.bottom;
            self.axes(painter, &frame, "line width (mm)", 4.0)?;
            self.widths(painter, &frame)?;
        }
        if let Some(reaches) = self.reaches {
            let frame = frame(below + gap, below + gap + each, reaches);
            below = frame.bottom;
            self.axes(painter, &frame, "line seen (mm)", 4.0)?;
            self.reaches(painter, &frame)?;
        }
        self.dates(painter, &Frame { bottom: below, ..main })?;
        self.marks(painter, &main, below)?;
        for (index, row) in rows.iter().enumerate() {
            let y = legend_top + (index as f64 + 0.5) * SMALL_EM * 1.6;
            for &(x, key) in row {
                self.key(painter, &keys[key], [60.0 + x, y])?;
            }
        }
        Ok(())
    }
}

impl Sheet<'_> {
    /// What lies below the readings: slack, trend, limits.
    fn background<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, frame: &Frame) -> Drawn<DB> {
        let y = |value: f64| frame.y(value).clamp(frame.top, frame.bottom);
        for &[from, to, block] in &self.in_use {
            let [left, right] = [frame.inside_x(from), frame.inside_x(to)];
            if let Some([low, high]) = self.band(block) {
                painter.patch([left, y(high), right, y(low)], SLACK)?;
                for rim in [low, high].into_iter().filter(|rim| (frame.up[0]..=frame.up[1]).contains(rim)) {
                    painter.line(&[[left, y(rim)], [right, y(rim)]], SLACK_EDGE, 1.2, [3.0, 6.0])?;
                }
            }
        }
        Ok(())
    }

    fn axes<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, frame: &Frame, title: &str, about: f64) -> Drawn<DB> {
        let plain = [0.0, 0.0];
        for (value, text) in level_ticks(frame.up, about) {
            let y = frame.y(value);
            painter.line(&[[frame.left, y], [frame.right, y]], GRID, 1.0, plain)?;
            painter.line(&[[frame.left - 8.0, y], [frame.left, y]], INK, 1.5, plain)?;
            painter.text([frame.left - 14.0, y], EM, INK, HPos::Right, &text)?;
        }
        for (at, _) in self.ticks() {
            let x = frame.x(at);
            painter.line(&[[x, frame.top], [x, frame.bottom]], GRID, 1.0, plain)?;
        }
        let centre = [30.0, f64::midpoint(frame.top, frame.bottom)];
        let (side, is_upright, text) = (HPos::Center, false, title.to_owned());
        painter.letters(Letters { place: centre, em: SMALL_EM, ink: INK, side, is_upright, text })?;
        let corners = [[frame.left, frame.top], [frame.right, frame.top], [frame.right, frame.bottom]];
        let outline = [&corners[..], &[[frame.left, frame.bottom], [frame.left, frame.top]]].concat();
        painter.line(&outline, INK, 1.5, plain)
    }

    fn ticks(&self) -> Vec<(f64, String)> {
        let ends = self.days.map(|day| self.moment(day));
        let day = |at: Timestamp| (at.as_second() - self.origin.as_second()) as f64 / 86_400.0;
        calendar::ticks(ends, self.offset, 12).into_iter().map(|(at, text)| (day(at), text)).collect()
    }

    fn dates<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, frame: &Frame) -> Drawn<DB> {
        for (day, text) in self.ticks() {
            let x = frame.x(day);
            painter.line(&[[x, frame.bottom], [x, frame.bottom + 8.0]], INK, 1.5, [0.0, 0.0])?;
            let half = lettering::width(&text, EM) / 2.0;
            let x = x.clamp(half + 8.0, f64::from(SHEET[0]) - half - 8.0);
            painter.text([x, frame.bottom + 25.0], EM, INK, HPos::Center, &text)?;
        }
        Ok(())
    }

    fn focus<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, frame: &Frame) -> Drawn<DB> {
        let y = |value: f64| frame.y(value).clamp(frame.top, frame.bottom);
        self.trend(painter, frame)?;
        for &[from, to, block] in &self.in_use {
            if (frame.up[0]..=frame.up[1]).contains(&block) {
                let [left, right] = [frame.inside_x(from), frame.inside_x(to)];
                painter.line(&[[left, y(block)], [right, y(block)]], FAINT_INK, 2.2, [18.0, 6.0])?;
            }
        }
        for (stretch, judged) in self.drift.readings.stretches.iter().zip(&self.drift.judged) {
            let Some(chart) = judged.chart else { continue };
            let days = self.drift.readings.points[stretch.range.clone()].iter().map(|p| p.days);
            let Some([from, to]) = ends(&days.collect::<Vec<_>>()) else { continue };
            let [left, right] = [frame.x(from) - 12.0, frame.x(to) + 12.0].map(|x| x.clamp(frame.left, frame.right));
            painter.line(&[[left, y(chart.centre)], [right, y(chart.centre)]], LIMIT, 1.4, [0.0, 0.0])?;
            if judged.has_limits() {
                for limit in chart.limits() {
                    painter.line(&[[left, y(limit)], [right, y(limit)]], LIMIT, 2.4, [11.0, 7.0])?;
                }
            }
        }
        for point in &self.drift.readings.points {
            let Some(spacer) = point.spacer else { continue };
            let x = frame.x(point.days);
            let rim = |sign: f64| y(spacer.value + sign * spacer.expanded());
            self.whisker(painter, x, [rim(1.0), rim(-1.0)])?;
            if !self.is_many {
                let own = COVERAGE_FACTOR * point.repeatability;
                painter.line(&[[x, y(spacer.value + own)], [x, y(spacer.value - own)]], INK, 4.0, [0.0, 0.0])?;
            }
        }
        for point in &self.drift.readings.points {
            let Some(spacer) = point.spacer else { continue };
            let place = [frame.x(point.days), y(spacer.value)];
            painter.mark(place, Shape::Dot, self.radius())?;
            if point.is_out {
                self.out(painter, place)?;
            }
        }
        Ok(())
    }

    fn radius(&self) -> f64 {
        if self.is_many { 3.2 } else { 6.0 }
    }

    fn whisker<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, x: f64, [high, low]: [f64; 2]) -> Drawn<DB> {
        let plain = [0.0, 0.0];
        let (ink, thickness) = if self.is_many { (FAINT_INK, 0.8) } else { (INK, 1.4) };
        painter.line(&[[x, high], [x, low]], ink, thickness, plain)?;
        if !self.is_many {
            for y in [high, low] {
                painter.line(&[[x - 5.0, y], [x + 5.0, y]], ink, thickness, plain)?;
            }
        }
        Ok(())
    }

    /// A square round a reading outside the limits.
    fn out<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, [x, y]: [f64; 2]) -> Drawn<DB> {
        let r = self.radius() + 6.0;
        let corners = [[-r, -r], [r, -r], [r, r], [-r, r], [-r, -r]].map(|[dx, dy]| [x + dx, y + dy]);
        painter.line(&corners, INK, 2.4, [0.0, 0.0])
    }

    /// A slope through a step would only mislead.
    fn shown_trend(&self) -> Option<Trend> {
        let trend = self.drift.judged.last()?.trend?;
        (self.drift.verdict.code() != Code::Moved).then_some(trend)
    }

    /// The trend of the stretch that is going on, from its first reading to the chart's right rim.
    fn trend<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, frame: &Frame) -> Drawn<DB> {
        let Some(trend) = self.shown_trend() else { return Ok(()) };
        let range = self.drift.readings.current().range.clone();
        let points = &self.drift.readings.points[range];
        let Some(from) = points.first().map(|p| p.days) else { return Ok(()) };
        let until = if trend.is_clear() { self.days[1] } else { points.last().map_or(from, |p| p.days) };
        let steps: Vec<f64> = (0..=40).map(|i| from + (until - from) * f64::from(i) / 40.0).collect();
        let y = |value: f64| frame.y(value).clamp(frame.top, frame.bottom);
        let rim = |which: usize| steps.iter().map(move |day| [frame.x(*day), y(trend.course.band(*day)[which])]);
        let upper: Vec<[f64; 2]> = rim(1).collect();
        let lower: Vec<[f64; 2]> = rim(0).collect();
        if trend.is_clear() {
            let round: Vec<[f64; 2]> = upper.iter().copied().chain(lower.iter().rev().copied()).collect();
            painter.polygon(&round, TREND_BAND)?;
        }
        for rim in [&upper, &lower] {
            painter.line(rim, TREND, 1.0, if trend.is_clear() { [0.0, 0.0] } else { [2.0, 6.0] })?;
        }
        let line: Vec<[f64; 2]> = steps.iter().map(|day| [frame.x(*day), y(trend.course.line.at(*day))]).collect();
        let dashes = if trend.is_clear() { [0.0, 0.0] } else { [2.0, 6.0] };
        painter.line(&line, TREND, 3.2, dashes)
    }

    /// Filled where burned as the newest strip, hollow where not: those are not to be compared with it.
    fn widths<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, frame: &Frame) -> Drawn<DB> {
        for point in &self.drift.readings.points {
            let Some(kerf) = point.kerf else { continue };
            let x = frame.x(point.days);
            let rim = |sign: f64| frame.y(kerf.value + sign * kerf.expanded()).clamp(frame.top, frame.bottom);
            self.whisker(painter, x, [rim(1.0), rim(-1.0)])?;
            let place = [x, frame.y(kerf.value)];
            match self.is_like_newest(point) {
                true => painter.mark(place, Shape::Dot, 0.8 * self.radius())?,
                false => painter.mark(place, Shape::Ring, self.radius())?,
            }
        }
        Ok(())
    }

    fn is_like_newest(&self, point: &Point) -> bool {
        self.drift.readings.points.last().is_some_and(|newest| burned_alike(&newest.burn, &point.burn))
    }

    /// A bar from as far below the focus as the line is seen to as far above; its end is open where the line did not
    /// fade but was switched off.
    fn reaches<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, frame: &Frame) -> Drawn<DB> {
        let plain = [0.0, 0.0];
        let zero = frame.y(0.0);
        painter.line(&[[frame.left, zero], [frame.right, zero]], FAINT_INK, 1.2, plain)?;
        let half = if self.is_many { 2.5 } else { 7.0 };
        for point in &self.drift.readings.points {
            let Some([below, above]) = point.reach else { continue };
            let x = frame.x(point.days);
            let ends = [frame.y(-below), frame.y(above)];
            let is_like = self.is_like_newest(point);
            let thickness = if self.is_many { 1.2 } else { 2.6 };
            painter.line(&[[x, ends[0]], [x, ends[1]]], INK, thickness, if is_like { plain } else { [3.0, 4.0] })?;
            for (y, _) in ends.into_iter().zip(point.is_reach_cut).filter(|(_, is_cut)| !is_cut) {
                painter.line(&[[x - half, y], [x + half, y]], INK, thickness, plain)?;
            }
        }
        Ok(())
    }

    /// Lines through all panels, and letters at their top, stacked where they would meet.
    fn marks<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, main: &Frame, below: f64) -> Drawn<DB> {
        let inside: Vec<(&Mark, f64)> = self
            .marks
            .iter()
            .map(|mark| (mark, main.x(mark.day)))
            .filter(|(_, x)| (main.left..=main.right).contains(x))
            .collect();
        for (mark, x) in &inside {
            let (thickness, dashes) = if mark.is_baseline { (2.6, [0.0, 0.0]) } else { (1.4, [2.0, 5.0]) };
            painter.line(&[[*x, main.top], [*x, below]], INK, thickness, dashes)?;
        }
        // The right rim of what stands in each row so far. No line runs through a letter: letters come last.
        let mut rows = [f64::MIN; 4];
        for (mark, x) in inside {
            let row = rows.iter().position(|right| x - 13.0 > *right).unwrap_or(3);
            rows[row] = x + 14.0;
            self.flag(painter, mark.letter, [x, main.top + 16.0 + 27.0 * row as f64])?;
        }
        Ok(())
    }

    fn flag<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, letter: &str, [x, y]: [f64; 2]) -> Drawn<DB> {
        painter.patch([x - 12.0, y - 12.0, x + 12.0, y + 12.0], WHITE)?;
        let corners = [[-12.0, -12.0], [12.0, -12.0], [12.0, 12.0], [-12.0, 12.0], [-12.0, -12.0]];
        painter.line(&corners.map(|[dx, dy]| [x + dx, y + dy]), INK, 1.4, [0.0, 0.0])?;
        painter.text([x, y], SMALL_EM, INK, HPos::Center, letter)
    }
}

/// One entry of the legend.
enum Key {
    /// True: without the thick part.
    Reading(bool),
    Out,
    Limits,
    Middle,
    Trend(bool),
    Block,
    Slack,
    Other,
    Reach,
    Event(EventKind),
    Baseline,
}

const KEY_WIDTH: f64 = 66.0;
const KEY_GAP: f64 = 30.0;

impl Key {
    fn text(&self) -> String {
        match self {
            Self::Reading(true) => "reading, with give or take".to_owned(),
            Self::Reading(false) => "reading, with give or take; thick: picture and fit alone".to_owned(),
            Self::Out => "outside the limits".to_owned(),
            Self::Limits => "limits: three times the usual scatter".to_owned(),
            Self::Middle => "mean between baselines".to_owned(),
            Self::Trend(true) => "trend, with its band".to_owned(),
            Self::Trend(false) => "trend and its band, no clearer than chance".to_owned(),
            Self::Block => "block in use".to_owned(),
            Self::Slack => "its height slack".to_owned(),
            Self::Other => "burned otherwise: not compared".to_owned(),
            Self::Reach => "line seen below and above the focus; no cap: it did not fade".to_owned(),
            Self::Event(EventKind::Other) => "something else was done".to_owned(),
            Self::Event(kind) => kind.words().to_owned(),
            Self::Baseline => "solid line: the focus starts anew".to_owned(),
        }
    }
}

impl Sheet<'_> {
    fn keys(&self) -> Vec<Key> {
        let drift = self.drift;
        let points = &drift.readings.points;
        let mut keys = vec![Key::Reading(self.is_many)];
        keys.extend(points.iter().any(|p| p.is_out).then_some(Key::Out));
        keys.extend(drift.judged.iter().any(crate::drift::Judged::has_limits).then_some(Key::Limits));
        keys.extend(drift.judged.iter().any(|judged| judged.chart.is_some()).then_some(Key::Middle));
        keys.extend(self.shown_trend().map(|trend| Key::Trend(trend.is_clear())));
        keys.extend((!self.in_use.is_empty()).then_some(Key::Block));
        keys.extend((!self.in_use.is_empty() && drift.slack.is_some()).then_some(Key::Slack));
        keys.extend(points.iter().any(|p| !self.is_like_newest(p)).then_some(Key::Other));
        keys.extend(self.reaches.is_some().then_some(Key::Reach));
        keys.extend(self.kinds().into_iter().map(Key::Event));
        keys.extend(self.marks.iter().any(|mark| mark.is_baseline).then_some(Key::Baseline));
        keys
    }

    fn key<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>, key: &Key, [x, y]: [f64; 2]) -> Drawn<DB> {
        let [start, middle, end] = [x, x + 24.0, x + 48.0];
        let plain = [0.0, 0.0];
        let level = |colour, thickness, dashes| painter.line(&[[start, y], [end, y]], colour, thickness, dashes);
        match key {
            Key::Reading(_) => {
                self.whisker(painter, middle, [y - 13.0, y + 13.0])?;
                if !self.is_many {
                    painter.line(&[[middle, y - 9.0], [middle, y + 9.0]], INK, 4.0, plain)?;
                }
                painter.mark([middle, y], Shape::Dot, self.radius())?;
            }
            Key::Out => {
                painter.mark([middle, y], Shape::Dot, self.radius())?;
                self.out(painter, [middle, y])?;
            }
            Key::Limits => level(LIMIT, 2.4, [11.0, 7.0])?,
            Key::Middle => level(LIMIT, 1.4, plain)?,
            Key::Trend(is_clear) => {
                if *is_clear {
                    painter.patch([start, y - 9.0, end, y + 9.0], TREND_BAND)?;
                }
                level(TREND, 3.2, if *is_clear { plain } else { [2.0, 6.0] })?;
            }
            Key::Block => level(FAINT_INK, 2.2, [18.0, 6.0])?,
            Key::Slack => {
                painter.patch([start, y - 10.0, end, y + 10.0], SLACK)?;
                for rim in [y - 10.0, y + 10.0] {
                    painter.line(&[[start, rim], [end, rim]], SLACK_EDGE, 1.2, [3.0, 6.0])?;
                }
            }
            Key::Other => painter.mark([middle, y], Shape::Ring, self.radius())?,
            Key::Reach => {
                painter.line(&[[middle, y - 11.0], [middle, y + 11.0]], INK, 2.6, plain)?;
                painter.line(&[[middle - 7.0, y - 11.0], [middle + 7.0, y - 11.0]], INK, 2.6, plain)?;
            }
            Key::Event(kind) => self.flag(painter, letter(*kind), [middle, y])?,
            Key::Baseline => painter.line(&[[middle, y - 13.0], [middle, y + 13.0]], INK, 2.6, plain)?,
        }
        painter.text([x + KEY_WIDTH - 6.0, y], SMALL_EM, INK, HPos::Left, &key.text())
    }
}

/// The legend's entries in rows, each with its left end.
fn rows(keys: &[Key], room: f64) -> Vec<Vec<(f64, usize)>> {
    let mut rows: Vec<Vec<(f64, usize)>> = vec![Vec::new()];
    let mut x = 0.0;
    for (index, key) in keys.iter().enumerate() {
        let wide = KEY_WIDTH + lettering::width(&key.text(), SMALL_EM);
        if x > 0.0 && x + wide > room {
            rows.push(Vec::new());
            x = 0.0;
        }
        rows.last_mut().expect("there is a first row").push((x, index));
        x += wide + KEY_GAP;
    }
    rows
}

fn level_ticks([from, to]: [f64; 2], about: f64) -> Vec<(f64, String)> {
    let step = round_step((to - from) / about);
    let decimals = (-step.log10().floor()).max(0.0) as usize;
    let [first, last] = [(from / step).ceil() as i64, (to / step).floor() as i64];
    (first..=last).map(|n| (n as f64 * step, fixed(n as f64 * step, decimals))).collect()
}
