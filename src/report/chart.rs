//! Line width along the ramp: the measured places, the fits through them, and the finest place.
//!
//! Drawn with `plotters` on a fixed sheet. Axes and legend are laid out here, because a block's gap grows while
//! the height falls and a bowed strip bends the scale: both need ticks that are placed one by one.

use image::RgbImage;
use plotters::prelude::*;
use plotters::style::RGBColor;
use plotters::style::text_anchor::HPos;

use super::painter::{
    self, Drawing, Drawn, EM, FAINT_INK, Frame, GRID, INK, Letters, Painter, SMALL_EM, Shape, TITLE_EM, round_step,
};
use super::rounding::{Units, fixed, length};
use super::{lettering, words};
use crate::estimate::Estimate;
use crate::reading::{Fit, Model, Reading};
use crate::setup::{Ramp, Setup};
use crate::stations::LeftOut;

/// The scale under the chart, for whoever draws the chart anew: what it is called, and its values along the strip.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Scale {
    /// With its unit.
    pub title: String,
    /// How it runs up the ramp; `None` where it is the distance along the strip, or pixels, itself.
    pub ramp: Option<RampScale>,
}

/// A scale that runs up or down the ramp: `low + change·t + 4·bow·t·(1 − t)` with `t = position/span`.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
#[allow(missing_docs)]
pub struct RampScale {
    pub low: f64,
    pub change: f64,
    pub bow: f64,
    pub span_mm: f64,
}

/// The scale under a reading's chart.
pub fn scale(reading: &Reading, setup: &Setup) -> Scale {
    let is_tied = reading.stations.iter().any(|s| s.position_mm.is_some());
    let quantity = if is_tied { quantity(reading, setup) } else { Quantity::Pixels };
    let ramp = match quantity {
        Quantity::OnRamp { low, change, bow, span_mm, .. } => Some(RampScale { low, change, bow, span_mm }),
        Quantity::Pixels | Quantity::Distance => None,
    };
    Scale { title: quantity.title(), ramp }
}

/// Width and height of the sheet in pixels; of an SVG, in its own units.
pub const SHEET: [u32; 2] = [1600, 1000];

const BAND: RGBColor = RGBColor(244, 196, 120);
const BAND_EDGE: RGBColor = RGBColor(140, 85, 0);
const SLACK: RGBColor = RGBColor(238, 238, 238);
const SLACK_EDGE: RGBColor = RGBColor(130, 130, 130);

/// The chart as SVG text; `None` where there are no measured places to draw.
pub fn draw_svg(reading: &Reading, setup: &Setup) -> Option<String> {
    Some(painter::svg(SHEET, &Sheet::new(reading, setup)?))
}

/// The chart as a picture; `None` where there are no measured places to draw.
pub fn draw_png(reading: &Reading, setup: &Setup) -> Option<RgbImage> {
    Some(painter::png(SHEET, &Sheet::new(reading, setup)?))
}

impl Drawing for Sheet<'_> {
    fn paint<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>) -> Drawn<DB> {
        painter.paint(self)
    }
}

/// What a place along the strip is called under the chart. Only the axis is labelled with it: no result passes here.
#[derive(Clone, Copy)]
enum Quantity {
    Pixels,
    Distance,
    /// Value at the low datum, change to the high datum, extra at the middle, span.
    OnRamp {
        name: &'static str,
        low: f64,
        change: f64,
        bow: f64,
        span_mm: f64,
    },
}

impl Quantity {
    fn title(self) -> String {
        match self {
            Self::Pixels => "distance along the line (pixels)".to_owned(),
            Self::Distance => "distance along the strip (mm from the low end)".to_owned(),
            Self::OnRamp { name, .. } => format!("{name} (mm)"),
        }
    }

    fn at(self, place: f64) -> f64 {
        match self {
            Self::Pixels | Self::Distance => place,
            Self::OnRamp { low, change, bow, span_mm, .. } => {
                let share = place / span_mm;
                low + change * share + 4.0 * bow * share * (1.0 - share)
            }
        }
    }

    /// Ticks between two places: where they stand and what is written there.
    fn ticks(self, [from, to]: [f64; 2], about: f64) -> Vec<(f64, String)> {
        let [start, end] = [self.at(from), self.at(to)];
        let step = round_step((end - start).abs() / about);
        let decimals = (-step.log10().floor()).max(0.0) as usize;
        let [least, most] = [start.min(end), start.max(end)];
        let count = ((most / step).floor() - (least / step).ceil()).clamp(0.0, 60.0) as usize;
        (0..=count)
            .map(|i| ((least / step).ceil() + i as f64) * step)
            .filter(|value| (least..=most).contains(value))
            .filter_map(|value| Some((self.place_of(value, [from, to])?, fixed(value, decimals))))
            .collect()
    }

    /// The place with a value, by bisection: the bow keeps the scale from being straight, but never turns it round.
    fn place_of(self, value: f64, [mut from, mut to]: [f64; 2]) -> Option<f64> {
        let is_rising = self.at(to) > self.at(from);
        for _ in 0..60 {
            let middle = f64::midpoint(from, to);
            if (self.at(middle) < value) == is_rising { from = middle } else { to = middle }
        }
        let place = f64::midpoint(from, to);
        ((self.at(place) - value).abs() < 1e-6 * (1.0 + value.abs())).then_some(place)
    }
}

/// Heights where both are known, else the block's gap where the answer holds one, else the distance along the strip.
fn quantity(reading: &Reading, setup: &Setup) -> Quantity {
    let ramp = &setup.ramp;
    let focus = reading.outcome.as_ref().ok();
    let on_ramp = |name, low: f64, change: f64, bow: f64, anchor: Option<(Estimate, Estimate)>| {
        let straight = Quantity::OnRamp { name, low, change, bow, span_mm: ramp.span_mm };
        // The scale passes through the answer, so that chart and text never differ in a digit.
        let shift = anchor.map_or(0.0, |(place, value)| value.value - straight.at(place.value));
        Quantity::OnRamp { name, low: low + shift, change, bow, span_mm: ramp.span_mm }
    };
    let anchored = |value: Option<Estimate>| focus.and_then(|f| Some((f.position_mm, value?)));
    if let Some([low, high]) = ramp.heights {
        let bow = bow(ramp);
        let anchor = anchored(focus.and_then(|f| f.height_mm));
        on_ramp("height of the strip's top", low.value, high.value - low.value, bow, anchor)
    } else if let Some(anchor) = anchored(focus.and_then(|f| f.spacer_mm)) {
        on_ramp("block: gap from nozzle tip to strip", ramp.rise.value, -ramp.rise.value, 0.0, Some(anchor))
    } else {
        Quantity::Distance
    }
}

fn bow(ramp: &Ramp) -> f64 {
    match (ramp.middle_height, ramp.heights) {
        (Some(middle), Some([low, high])) => middle.value - f64::midpoint(low.value, high.value),
        _ => 0.0,
    }
}

struct Point {
    place: f64,
    width: f64,
    give_or_take: f64,
    left_out: Option<Option<LeftOut>>,
}

const fn shape(left_out: Option<Option<LeftOut>>) -> Shape {
    match left_out {
        None => Shape::Dot,
        Some(Some(LeftOut::NearEnd)) => Shape::Square,
        Some(Some(LeftOut::Faint) | None) => Shape::Ring,
        Some(Some(LeftOut::Disturbed)) => Shape::Diamond,
        Some(Some(LeftOut::Outlier)) => Shape::Cross,
        Some(Some(LeftOut::NotFitted)) => Shape::Plus,
        Some(Some(LeftOut::OutsidePicture)) => Shape::Triangle,
    }
}

/// Colour, thickness and dashes (drawn, gap; empty: solid) of a fit. The dashes alone tell them apart.
fn stroke(fit: &Fit) -> (RGBColor, f64, [f64; 2]) {
    let share = if fit.used { 1.0 } else { 0.6 };
    match fit.model {
        Model::ThresholdCaustic => (RGBColor(100, 165, 220), 6.0 * share, [0.0, 0.0]),
        Model::TwoSidedCaustic => (RGBColor(70, 70, 70), 3.5 * share, [4.0, 6.0]),
        Model::Parabola => (RGBColor(176, 60, 0), 3.5 * share, [18.0, 9.0]),
    }
}

/// Everything the chart shows, before it has a place on the sheet.
struct Sheet<'a> {
    title: Vec<String>,
    bottom: Quantity,
    top: Option<Quantity>,
    width_title: &'static str,
    points: Vec<Point>,
    fits: Vec<&'a Fit>,
    /// Finest place: from, best, to; and what it is called.
    finest: Option<([f64; 3], String)>,
    slack: Option<[f64; 2]>,
    slack_text: String,
    places: [f64; 2],
    widths: [f64; 2],
    left_out: Vec<(Option<LeftOut>, usize)>,
    used: usize,
}

impl<'a> Sheet<'a> {
    fn new(reading: &'a Reading, setup: &Setup) -> Option<Self> {
        let stations = &reading.stations;
        let is_tied = stations.iter().any(|s| s.position_mm.is_some());
        let is_scaled = stations.iter().any(|s| s.kerf_mm.is_some());
        let points: Vec<Point> = stations
            .iter()
            .filter_map(|s| {
                let place = if is_tied { s.position_mm? } else { s.along_px };
                let width = if is_scaled { s.kerf_mm? } else { s.kerf_px };
                let scale = if is_scaled { width / s.kerf_px } else { 1.0 };
                let give_or_take = Estimate::new(width, scale * s.standard_uncertainty_px).expanded();
                let left_out = if s.used { None } else { Some(s.left_out) };
                let point = Point { place, width, give_or_take, left_out };
                [place, width].iter().all(|v| v.is_finite()).then_some(point)
            })
            .collect();
        if points.is_empty() {
            return None;
        }
        let bottom = if is_tied { quantity(reading, setup) } else { Quantity::Pixels };
        let top = matches!(bottom, Quantity::OnRamp { .. }).then_some(Quantity::Distance);
        let fits: Vec<&Fit> = if is_tied && is_scaled { reading.fits.iter().collect() } else { Vec::new() };
        let focus = reading.outcome.as_ref().ok();
        let finest = focus.map(|f| {
            let [from, to] = [-1.0, 1.0].map(|sign| f.position_mm.value + sign * f.position_mm.expanded());
            let told = length(&f.position_mm, Units::Millimetres);
            ([from, f.position_mm.value, to], format!("finest place: {told}, along the strip"))
        });
        let slack = reading.waist.as_ref().and_then(|w| w.slack_positions_mm).filter(|_| focus.is_some() && is_tied);
        let fraction = focus.and_then(|f| f.depth_of_focus_mm).map(|d| d.fraction);
        let slack_text = fraction.map_or_else(
            || "height slack".to_owned(),
            |f| format!("height slack: line at most {} % wider", fixed(100.0 * f, 1).trim_end_matches(".0")),
        );
        Some(Self {
            title: title(reading),
            bottom,
            top,
            width_title: if is_scaled { "line width (mm)" } else { "line width (pixels)" },
            places: spread(points.iter().map(|p| p.place), 0.03),
            widths: widths(&points, &fits),
            used: points.iter().filter(|p| p.left_out.is_none()).count(),
            points,
            fits,
            finest: finest.filter(|_| is_tied),
            slack,
            slack_text,
            left_out: words::left_out_counts(stations),
        })
    }
}

fn title(reading: &Reading) -> Vec<String> {
    let told = |estimate: &Estimate| length(estimate, Units::Millimetres);
    let text = match &reading.outcome {
        Ok(focus) => match (&focus.spacer_mm, &focus.height_mm) {
            (Some(spacer), _) => format!("Line width along the ramp. In focus with a block of {}", told(spacer)),
            (None, Some(height)) => format!("Line width along the ramp. In focus at a height of {}", told(height)),
            (None, None) => {
                format!("Line width along the ramp. Finest at {} from the low end", told(&focus.position_mm))
            }
        },
        Err(refusal) => {
            format!("Line width along the ramp. No answer: {}", crate::printable::printable(&refusal.message))
        }
    };
    let mut lines = lettering::wrap(&text, TITLE_EM, f64::from(SHEET[0]) - 120.0);
    if lines.len() > 2 {
        lines.truncate(2);
        lines[1].push('…');
    }
    lines
}

fn spread(values: impl Iterator<Item = f64>, margin: f64) -> [f64; 2] {
    let [least, most] = values.fold([f64::MAX, f64::MIN], |[a, b], v| [a.min(v), b.max(v)]);
    let room = if most > least { margin * (most - least) } else { 1.0 };
    [least - room, most + room]
}

/// From zero, unless that would press a nearly even line flat; up to the widest that counts: what was left out may be
/// anywhere and is drawn at the rim.
fn widths(points: &[Point], fits: &[&Fit]) -> [f64; 2] {
    let counts = |p: &&Point| p.left_out.is_none();
    let tops = |p: &Point| p.width + if p.give_or_take.is_finite() { p.give_or_take } else { 0.0 };
    let is_any_used = points.iter().any(|p| counts(&p));
    let of_points = points.iter().filter(|p| !is_any_used || counts(p));
    let of_fits = fits.iter().filter(|f| f.used).flat_map(|f| f.curve.iter().map(|c| c[1]));
    let most = of_points.clone().map(tops).chain(of_fits).filter(|v| v.is_finite()).fold(0.0, f64::max);
    let least = of_points.map(|p| p.width - p.give_or_take.max(0.0)).fold(f64::MAX, f64::min);
    let bottom = if least > 0.6 * most { least - 0.4 * (most - least).max(0.05 * most) } else { 0.0 };
    [bottom.max(0.0), most + 0.16 * (most - bottom.max(0.0)).max(1e-6)]
}

/// One entry of the legend.
enum Key<'a> {
    Used(usize),
    LeftOut(Option<LeftOut>, usize),
    Fit(&'a Fit),
    Finest,
    Slack,
}

impl Key<'_> {
    fn text(&self, sheet: &Sheet<'_>) -> String {
        match self {
            Self::Used(number) => format!("{number} measured places used, with give or take"),
            Self::LeftOut(which, number) => {
                format!("{number} left out: {}", which.map_or("no stated reason", words::reason))
            }
            Self::Fit(fit) => format!("{}{}", words::model(fit.model), if fit.used { "" } else { " (not used)" }),
            Self::Finest => "finest place along the strip, with give or take".to_owned(),
            Self::Slack => sheet.slack_text.clone(),
        }
    }
}

const KEY_WIDTH: f64 = 74.0;
const KEY_GAP: f64 = 34.0;

impl<DB: DrawingBackend> Painter<'_, DB> {
    fn paint(&self, sheet: &Sheet<'_>) -> Drawn<DB> {
        self.area.fill(&WHITE)?;
        let [width, height] = SHEET.map(f64::from);
        let rows = legend_rows(sheet, width - 120.0);
        let legend_top = height - 22.0 - rows.len() as f64 * SMALL_EM * 1.65;
        let title_height = sheet.title.len() as f64 * TITLE_EM * 1.3;
        let frame = Frame {
            left: 118.0,
            right: width - 50.0,
            top: 22.0 + title_height + if sheet.top.is_some() { 78.0 } else { 20.0 },
            bottom: legend_top - 96.0,
            across: sheet.places,
            up: sheet.widths,
        };
        for (index, line) in sheet.title.iter().enumerate() {
            let y = 20.0 + (index as f64 + 0.5) * TITLE_EM * 1.3;
            self.text([60.0, y], TITLE_EM, INK, HPos::Left, line)?;
        }
        self.background(sheet, &frame)?;
        self.axes(sheet, &frame)?;
        let spacing = frame.width() / sheet.points.len() as f64;
        // Single places stand on the curves; where they run together into a band, the curves stand on it.
        let is_crowded = spacing < 5.0;
        if is_crowded {
            self.points(sheet, &frame, 1.6)?;
            self.curves(sheet, &frame)?;
        } else {
            self.curves(sheet, &frame)?;
            self.points(sheet, &frame, 4.0)?;
        }
        self.labels(sheet, &frame)?;
        self.legend(sheet, &rows, legend_top)
    }

    fn curves(&self, sheet: &Sheet<'_>, frame: &Frame) -> Drawn<DB> {
        // Solid below dashed: where the fits agree, both are still seen.
        for is_dashed in [false, true] {
            for fit in sheet.fits.iter().filter(|fit| (stroke(fit).2[0] > 0.0) == is_dashed) {
                self.curve(fit, frame)?;
            }
        }
        Ok(())
    }

    fn points(&self, sheet: &Sheet<'_>, frame: &Frame, radius: f64) -> Drawn<DB> {
        for is_used in [false, true] {
            for point in sheet.points.iter().filter(|p| p.left_out.is_none() == is_used) {
                self.point(point, frame, radius)?;
            }
        }
        Ok(())
    }

    /// The slack's shade lies below the finest place, its rims above: a wide give-or-take must not hide them.
    fn background(&self, sheet: &Sheet<'_>, frame: &Frame) -> Drawn<DB> {
        let slack = sheet.slack.map(|s| s.map(|p| frame.inside_x(p)));
        if let Some([left, right]) = slack {
            self.patch([left, frame.top, right, frame.bottom], SLACK)?;
        }
        if let Some(([from, best, to], _)) = &sheet.finest {
            let [left, right] = [frame.inside_x(*from), frame.inside_x(*to)];
            self.finest_patch([left, frame.top, right, frame.bottom], frame.inside_x(*best))?;
        }
        slack.map_or(Ok(()), |[left, right]| self.slack_rims([left, frame.top, right, frame.bottom]))
    }

    fn slack_rims(&self, [left, top, right, bottom]: [f64; 4]) -> Drawn<DB> {
        for x in [left, right] {
            self.line(&[[x, top], [x, bottom]], SLACK_EDGE, 2.0, [9.0, 7.0])?;
        }
        Ok(())
    }

    fn finest_patch(&self, [left, top, right, bottom]: [f64; 4], best: f64) -> Drawn<DB> {
        self.patch([left, top, right, bottom], BAND)?;
        for x in [left, right] {
            self.line(&[[x, top], [x, bottom]], BAND_EDGE, 1.0, [0.0, 0.0])?;
        }
        self.line(&[[best, top], [best, bottom]], BAND_EDGE, 3.0, [0.0, 0.0])
    }

    fn axes(&self, sheet: &Sheet<'_>, frame: &Frame) -> Drawn<DB> {
        let plain = [0.0, 0.0];
        let widths = Quantity::Distance.ticks(frame.up, 8.0);
        for (value, text) in widths {
            let y = frame.y(value);
            self.line(&[[frame.left, y], [frame.right, y]], GRID, 1.0, plain)?;
            self.line(&[[frame.left - 8.0, y], [frame.left, y]], INK, 1.5, plain)?;
            self.text([frame.left - 14.0, y], EM, INK, HPos::Right, &text)?;
        }
        for (place, text) in sheet.bottom.ticks(frame.across, 12.0) {
            let x = frame.x(place);
            self.line(&[[x, frame.top], [x, frame.bottom]], GRID, 1.0, plain)?;
            self.line(&[[x, frame.bottom], [x, frame.bottom + 8.0]], INK, 1.5, plain)?;
            self.text([x, frame.bottom + 25.0], EM, INK, HPos::Center, &text)?;
        }
        let middle = f64::midpoint(frame.left, frame.right);
        self.text([middle, frame.bottom + 60.0], EM, INK, HPos::Center, &sheet.bottom.title())?;
        if let Some(top) = sheet.top {
            for (place, text) in top.ticks(frame.across, 12.0) {
                let x = frame.x(place);
                self.line(&[[x, frame.top - 8.0], [x, frame.top]], FAINT_INK, 1.5, plain)?;
                self.text([x, frame.top - 22.0], SMALL_EM, FAINT_INK, HPos::Center, &text)?;
            }
            self.text([middle, frame.top - 52.0], SMALL_EM, FAINT_INK, HPos::Center, &top.title())?;
        }
        let corners = [[frame.left, frame.top], [frame.right, frame.top], [frame.right, frame.bottom]];
        let outline = [&corners[..], &[[frame.left, frame.bottom], [frame.left, frame.top]]].concat();
        self.line(&outline, INK, 1.5, plain)?;
        let centre = [34.0, f64::midpoint(frame.top, frame.bottom)];
        let (side, is_upright, text) = (HPos::Center, false, sheet.width_title.to_owned());
        self.letters(Letters { place: centre, em: EM, ink: INK, side, is_upright, text })
    }

    /// The pieces of the curve that lie in the frame.
    fn curve(&self, fit: &Fit, frame: &Frame) -> Drawn<DB> {
        let (colour, thickness, dashes) = stroke(fit);
        let inside = |[place, width]: &[f64; 2]| {
            (frame.across[0]..=frame.across[1]).contains(place) && (frame.up[0]..=frame.up[1]).contains(width)
        };
        for piece in fit.curve.split(|c| !inside(c)).filter(|piece| piece.len() > 1) {
            let line: Vec<[f64; 2]> = piece.iter().map(|&[p, w]| [frame.x(p), frame.y(w)]).collect();
            self.line(&line, colour, thickness, dashes)?;
        }
        Ok(())
    }

    fn point(&self, point: &Point, frame: &Frame, radius: f64) -> Drawn<DB> {
        let x = frame.x(point.place);
        let is_inside = (frame.up[0]..=frame.up[1]).contains(&point.width);
        if is_inside && point.give_or_take.is_finite() {
            let [high, low] =
                [1.0, -1.0].map(|sign| frame.y(point.width + sign * point.give_or_take).clamp(frame.top, frame.bottom));
            let ink = if point.left_out.is_none() && radius > 2.0 { INK } else { FAINT_INK };
            self.line(&[[x, high], [x, low]], ink, 1.0, [0.0, 0.0])?;
        }
        if point.width > frame.up[1] {
            // Wider than the chart is high: at the rim, below an arrowhead.
            let tip = frame.top + 4.0;
            self.line(&[[x - 7.0, tip + 8.0], [x, tip], [x + 7.0, tip + 8.0]], INK, 2.0, [0.0, 0.0])?;
            return self.mark([x, tip + 19.0], shape(point.left_out), radius);
        }
        self.mark([x, frame.y(point.width.max(frame.up[0]))], shape(point.left_out), radius)
    }

    /// The finest place is named beside its band, on whichever side has the room.
    fn labels(&self, sheet: &Sheet<'_>, frame: &Frame) -> Drawn<DB> {
        let Some(([from, _, to], text)) = &sheet.finest else { return Ok(()) };
        let [left, right] = [frame.inside_x(*from), frame.inside_x(*to)];
        let wide = lettering::width(text, SMALL_EM);
        let y = frame.top + 22.0;
        let start = if right + 14.0 + wide < frame.right { right + 14.0 } else { left - 14.0 - wide };
        let start = start.clamp(frame.left + 8.0, frame.right - 8.0 - wide);
        let patch = [self.at([start - 6.0, y - 14.0]), self.at([start + wide + 6.0, y + 14.0])];
        self.area.draw(&Rectangle::new(patch, WHITE.filled()))?;
        self.text([start, y], SMALL_EM, INK, HPos::Left, text)
    }

    fn legend(&self, sheet: &Sheet<'_>, rows: &[Vec<(f64, Key<'_>)>], top: f64) -> Drawn<DB> {
        for (index, row) in rows.iter().enumerate() {
            let y = top + (index as f64 + 0.5) * SMALL_EM * 1.65;
            for (x, key) in row {
                let x = x + 60.0;
                let [start, middle, end] = [x, x + 26.0, x + 52.0];
                match key {
                    Key::Used(_) => {
                        self.line(&[[middle, y - 12.0], [middle, y + 12.0]], INK, 1.0, [0.0, 0.0])?;
                        self.mark([middle, y], Shape::Dot, 4.0)?;
                    }
                    Key::LeftOut(which, _) => self.mark([middle, y], shape(Some(*which)), 4.0)?,
                    Key::Fit(fit) => {
                        let (colour, thickness, dashes) = stroke(fit);
                        self.line(&[[start, y], [end, y]], colour, thickness, dashes)?;
                    }
                    Key::Finest => self.finest_patch([start + 8.0, y - 10.0, end - 8.0, y + 10.0], middle)?,
                    Key::Slack => {
                        let patch = [start + 2.0, y - 10.0, end - 2.0, y + 10.0];
                        self.patch(patch, SLACK)?;
                        self.slack_rims(patch)?;
                    }
                }
                self.text([x + KEY_WIDTH - 8.0, y], SMALL_EM, INK, HPos::Left, &key.text(sheet))?;
            }
        }
        Ok(())
    }
}

/// The legend's entries in rows, each with its left end.
fn legend_rows<'a>(sheet: &Sheet<'a>, room: f64) -> Vec<Vec<(f64, Key<'a>)>> {
    let mut keys = vec![Key::Used(sheet.used)];
    keys.extend(sheet.fits.iter().map(|fit| Key::Fit(fit)));
    keys.extend(sheet.finest.is_some().then_some(Key::Finest));
    keys.extend(sheet.slack.is_some().then_some(Key::Slack));
    keys.extend(sheet.left_out.iter().map(|&(which, number)| Key::LeftOut(which, number)));
    let widest = keys.iter().map(|key| lettering::width(&key.text(sheet), SMALL_EM)).fold(0.0, f64::max);
    let column = KEY_WIDTH + widest + KEY_GAP;
    let columns = ((room + KEY_GAP) / column).floor().max(1.0) as usize;
    let mut rows: Vec<Vec<(f64, Key<'a>)>> = Vec::new();
    for (index, key) in keys.into_iter().enumerate() {
        if index % columns == 0 {
            rows.push(Vec::new());
        }
        rows.last_mut().expect("the first key opens a row").push(((index % columns) as f64 * column, key));
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_stand_where_their_value_is() {
        let falling = Quantity::OnRamp { name: "gap", low: 17.0, change: -15.0, bow: 0.4, span_mm: 188.0 };
        let ticks = falling.ticks([-5.0, 193.0], 12.0);
        assert!(ticks.len() > 6);
        for (place, text) in &ticks {
            let value: f64 = text.parse().unwrap();
            assert!((falling.at(*place) - value).abs() < 1e-5, "{text} stands at {}", falling.at(*place));
            assert!((value / 2.0).fract().abs() < 1e-9, "{text} is not round");
        }
    }

    #[test]
    fn steps_are_one_two_or_five() {
        for (about, step) in [(0.9, 1.0), (1.1, 2.0), (3.0, 5.0), (6.0, 10.0), (0.014, 0.02)] {
            assert!((round_step(about) - step).abs() < 1e-12, "{about}");
        }
    }

    #[test]
    fn a_wild_place_that_was_left_out_does_not_stretch_the_chart() {
        let point = |width: f64, left_out| Point { place: 0.0, width, give_or_take: 0.02, left_out };
        let points = [point(0.2, None), point(1.0, None), point(40.0, Some(Some(LeftOut::Outlier)))];
        let [bottom, top] = widths(&points, &[]);
        assert!(bottom.abs() < 1e-12);
        assert!((1.02..1.3).contains(&top), "{top}");
    }
}
