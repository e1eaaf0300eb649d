//! What was found, drawn on the photograph: the strip, the line's course, the ends, the marks, the edges at every
//! measured place and the finest place; below or beside it the line pulled straight and the finest place enlarged,
//! because at the size of a screen the edges themselves cannot be judged on the photograph.

use image::{ImageBuffer, Luma, Rgb, RgbImage};
use imageproc::geometric_transformations::{Border, Interpolation, warp_into_with};
use rayon::prelude::*;

pub use super::canvas::Label;
use super::canvas::{Area, Canvas, INK, Pen};
use super::rounding::{Units, fixed, length};
use super::{lettering, words};
use crate::locate::{Course, Tie};
use crate::photo::{Light, Photo};
use crate::reading::Reading;
use crate::stations::Station;

/// Long side of the photograph as drawn, in pixels, where the photograph is larger.
const LARGEST: usize = 2400;
/// Long side that a small photograph is enlarged to reach, in whole multiples, so that there is room for letters.
const SMALLEST: usize = 1200;

const USED: Rgb<u8> = Rgb([200, 60, 0]);
const LEFT_OUT: Rgb<u8> = Rgb([0, 80, 160]);
const MARK: Rgb<u8> = Rgb([0, 110, 90]);
/// The course runs in the middle of the line: light on a dark one, dark on a light one.
const COURSE: [Rgb<u8>; 2] = [Rgb([0, 60, 50]), Rgb([190, 255, 235])];
const FINEST: Rgb<u8> = Rgb([120, 0, 90]);
const OUTSIDE: Rgb<u8> = Rgb([190, 195, 205]);

/// The overlay with the place of every text on it.
#[derive(Debug, Clone)]
pub struct Overlay {
    /// The drawing.
    pub picture: RgbImage,
    /// Every text written on it.
    pub labels: Vec<Label>,
    /// Where the photograph lies on it: left, top, right, bottom in pixels.
    pub photograph_px: [f64; 4],
}

/// Draws what a reading found on its photograph.
pub fn draw(photo: &Photo, reading: &Reading) -> RgbImage {
    compose(photo, reading).picture
}

/// The same, with the place of every text.
pub fn compose(photo: &Photo, reading: &Reading) -> Overlay {
    // In the light in which it was read.
    let red = (reading.light == Light::Red).then(|| photo.in_red()).flatten();
    let photo = red.as_deref().unwrap_or(photo);
    let plan = Plan::new(photo, reading);
    let mut canvas = Canvas::new(plan.size[0] as u32, plan.size[1] as u32);
    let drawing = Drawing { photo, reading, em: plan.em, grey: grey_of_light() };
    for (index, line) in plan.caption.iter().enumerate() {
        canvas.starting_at(line, plan.caption_em, [plan.em, plan.em + (index as f64 + 0.5) * 1.35 * plan.caption_em]);
    }
    drawing.photograph(&mut canvas, &plan);
    if let (Some(area), Some(course)) = (plan.straight, &reading.course) {
        drawing.straight(&mut canvas, area, course);
    }
    if let (Some(area), Some(course)) = (plan.enlarged, &reading.course) {
        drawing.enlarged(&mut canvas, area, course);
    }
    drawing.legend(&mut canvas, plan.legend);
    let Area { left, top, right, bottom } = plan.photograph;
    Overlay { picture: canvas.picture, labels: canvas.labels, photograph_px: [left, top, right, bottom] }
}

/// Where everything goes.
struct Plan {
    size: [f64; 2],
    em: f64,
    caption: Vec<String>,
    caption_em: f64,
    photograph: Area,
    /// Where marks and labels of the photograph may stand: it, and a margin where it is too narrow to hold them.
    field: Area,
    /// Pixels of the drawing per pixel of the photograph.
    scale: f64,
    straight: Option<Area>,
    enlarged: Option<Area>,
    legend: Area,
}

impl Plan {
    fn new(photo: &Photo, reading: &Reading) -> Self {
        let [width, height] = [photo.width(), photo.height()];
        let long = width.max(height).max(1);
        let scale = if long > LARGEST { LARGEST as f64 / long as f64 } else { SMALLEST.div_ceil(long).max(1) as f64 };
        let shown = [width, height].map(|side| (side as f64 * scale).round().max(1.0));
        let em = (shown[0].max(shown[1]) / 85.0).clamp(16.0, 28.0);
        let caption_em = 1.15 * em;
        let gap = em;
        let is_upright = shown[1] > 1.2 * shown[0];
        let column = 56.0 * em;
        let [beside, above] = shown.map(|side| if side < 16.0 * em { (6.0 * em).round() } else { 0.0 });
        let page = if is_upright {
            shown[0] + 2.0 * beside + column + 3.0 * gap
        } else {
            (shown[0] + 2.0 * beside).max(column) + 2.0 * gap
        };
        let caption = lettering::wrap(&caption(reading), caption_em, page - 2.0 * gap);
        let gap = gap.round();
        let top = (gap + caption.len() as f64 * 1.35 * caption_em + 0.5 * gap).round();
        let field = Area::new(gap, top, gap + shown[0] + 2.0 * beside, top + shown[1] + 2.0 * above);
        let photograph = Area::new(gap + beside, top + above, field.right - beside, field.bottom - above);

        // The panels stand in a column of their own beside an upright photograph, below any other.
        let [left, right, mut y] =
            if is_upright { [field.right + gap, page - gap, top] } else { [gap, page - gap, field.bottom + gap] };
        let straight = reading.course.as_ref().map(|_| {
            let area = Area::new(left, y, right, y + 20.0 * em);
            y = area.bottom + gap;
            area
        });
        let is_side_by_side = right - left > 66.0 * em;
        let split = if is_side_by_side { left + 0.56 * (right - left) } else { right };
        let centre = reading.course.as_ref().and_then(|course| enlarged_at(reading, course));
        let enlarged = centre.map(|_| Area::new(left, y, split, y + 23.0 * em));
        let legend_left = if is_side_by_side && enlarged.is_some() { split + 2.0 * gap } else { left };
        let legend_top = match enlarged {
            Some(area) if !is_side_by_side => area.bottom + gap,
            _ => y,
        };
        let legend_height = legend_lines(reading, em, right - legend_left).len() as f64 * 1.6 * em + gap;
        let legend = Area::new(legend_left, legend_top, right, legend_top + legend_height);
        let bottom = [Some(field), straight, enlarged, Some(legend)]
            .into_iter()
            .flatten()
            .fold(0.0, |most: f64, area| most.max(area.bottom));
        let size = [page.ceil(), (bottom + gap).ceil()];
        Self { size, em, caption, caption_em, photograph, field, scale, straight, enlarged, legend }
    }

    fn on_photograph(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [self.photograph.left + x * self.scale, self.photograph.top + y * self.scale]
    }
}

fn caption(reading: &Reading) -> String {
    match &reading.outcome {
        Ok(focus) => {
            let told = |estimate| length(estimate, Units::Millimetres);
            let place = told(&focus.position_mm).replacen(',', " up the strip from the low end,", 1);
            let block = focus.spacer_mm.as_ref().map_or(String::new(), |s| format!("; block {}", told(s)));
            format!("Finest place {place}{block}")
        }
        Err(refusal) => format!("No answer: {}", crate::printable::printable(&refusal.message)),
    }
}

/// Where the enlarged piece is centred along the course, and what that place is.
fn enlarged_at(reading: &Reading, course: &Course) -> Option<(f64, &'static str)> {
    if let Some(waist) = &reading.waist {
        return Some((waist.along_px, "The finest place"));
    }
    let narrowest = |only_used: bool| {
        let stations = reading.stations.iter().filter(|s| s.kerf_px.is_finite() && (s.used || !only_used));
        stations.min_by(|a, b| a.kerf_px.total_cmp(&b.kerf_px)).map(|s| s.along_px)
    };
    let middle = || (f64::midpoint(course.start_px, course.end_px), "The middle of the line");
    let narrowest = narrowest(true).or_else(|| narrowest(false));
    let shown = narrowest.map_or_else(middle, |along| (along, "The narrowest measured place"));
    Some(shown).filter(|(along, _)| along.is_finite())
}

/// What an entry of the legend explains.
#[derive(Clone, Copy, PartialEq)]
enum Key {
    Used,
    LeftOut,
    Course,
    Ends,
    Mark,
    Finest,
    Outline,
}

/// The legend's lines; only an entry's first line carries its key.
fn legend_lines(reading: &Reading, em: f64, room: f64) -> Vec<(Option<Key>, String)> {
    let used = reading.stations.iter().filter(|s| s.used).count();
    let left_out = reading.stations.len() - used;
    let mut entries = Vec::new();
    if reading.waist.is_some() {
        entries.push((Key::Finest, "finest place, with its give or take".to_owned()));
    }
    if used > 0 {
        entries.push((Key::Used, format!("edge of a measured place that is used ({used} places)")));
    }
    if left_out > 0 {
        let reasons: Vec<String> = words::left_out_counts(&reading.stations)
            .into_iter()
            .map(|(which, number)| format!("{number} {}", which.map_or("without a stated reason", words::reason)))
            .collect();
        entries.push((Key::LeftOut, format!("edge of a measured place that is left out: {}", reasons.join(", "))));
    }
    if reading.course.is_some() {
        entries.push((Key::Course, "course of the line".to_owned()));
    }
    if let Some(tie) = &reading.tie {
        entries.push((Key::Ends, "low end and high end".to_owned()));
        if !tie.marks.is_empty() {
            entries.push((Key::Mark, format!("index mark with its number ({} recognised)", tie.marks.len())));
        }
    }
    if reading.outline_px.is_some() {
        entries.push((Key::Outline, "strip's outline".to_owned()));
    }
    if entries.is_empty() {
        return vec![(None, "nothing was found in this picture".to_owned())];
    }
    let mut lines = Vec::new();
    for (key, text) in entries {
        for (index, line) in lettering::wrap(&text, em, room - KEY_EMS * em).into_iter().enumerate() {
            lines.push(((index == 0).then_some(key), line));
        }
    }
    lines
}

const KEY_EMS: f64 = 4.0;

/// The line pulled straight: which place of the photograph a place of the drawing shows. The low end is on the left;
/// nothing is mirrored.
struct Straightened<'a> {
    course: &'a Course,
    area: Area,
    /// Along the course at the middle of the area.
    middle_px: f64,
    /// 1 where the course runs from left to right here, −1 where it runs the other way.
    sense: f64,
    /// Pixels of the photograph per pixel of the drawing, along and across.
    step: [f64; 2],
}

impl Straightened<'_> {
    fn source(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [cx, cy] = self.area.middle();
        [self.middle_px + self.sense * (x - cx) * self.step[0], self.sense * (cy - y) * self.step[1]]
    }

    fn screen(&self, [along, across]: [f64; 2]) -> [f64; 2] {
        let [cx, cy] = self.area.middle();
        [cx + self.sense * (along - self.middle_px) / self.step[0], cy - self.sense * across / self.step[1]]
    }

    fn edges(&self, station: &Station) -> [[f64; 2]; 2] {
        [station.left_edge_px, station.right_edge_px].map(|edge| self.screen(self.course.along_across(edge)))
    }
}

struct Drawing<'a> {
    photo: &'a Photo,
    reading: &'a Reading,
    em: f64,
    /// Grey level of every linear luminance.
    grey: Vec<u8>,
}

impl Drawing<'_> {
    /// The tie where it can place anything: two samples or more.
    fn tie(&self) -> Option<&Tie> {
        self.reading.tie.as_ref().filter(|tie| tie.samples.len() > 1)
    }

    fn small(&self) -> f64 {
        0.88 * self.em
    }

    fn thin(&self) -> f64 {
        (self.em / 14.0).max(1.2)
    }

    fn photograph(&self, canvas: &mut Canvas, plan: &Plan) {
        let area = plan.photograph;
        let [columns, rows] = [area.width() as usize, area.height() as usize];
        let shown = shrink(self.photo, columns, rows);
        for (index, &light) in shown.iter().enumerate() {
            let [x, y] = [area.left as u32 + (index % columns) as u32, area.top as u32 + (index / columns) as u32];
            canvas.picture.put_pixel(x, y, self.level(light));
        }
        canvas.clip_to(plan.field);
        let em = self.em;
        if let Some(corners) = self.reading.outline_px {
            let corners: Vec<_> = corners.iter().chain(&corners[..1]).map(|&c| plan.on_photograph(c)).collect();
            canvas.polyline(&corners, Pen::solid(INK, self.thin(), self.thin()).dashed(0.9 * em, 0.5 * em));
        }
        let Some(course) = &self.reading.course else {
            canvas.clip_to(canvas.whole());
            return;
        };
        let count = 200;
        let line: Vec<_> = (0..=count)
            .map(|i| course.start_px + (course.end_px - course.start_px) * f64::from(i) / f64::from(count))
            .map(|along| plan.on_photograph(course.place(along, 0.0)))
            .collect();
        let pen = Pen::solid(COURSE[usize::from(course.is_dark)], 0.8 * self.thin(), 0.0);
        canvas.polyline(&line, pen.dashed(0.2 * em, 2.6 * em));
        for is_used in [true, false] {
            // Where the places are crowded, some stand for all, or their strokes would hide the strip; the line pulled
            // straight shows every one.
            let apart = if is_used { 0.4 } else { 0.6 } * em / plan.scale;
            let mut last = f64::NEG_INFINITY;
            for station in self.reading.stations.iter().filter(|s| s.used == is_used) {
                if (station.along_px - last).abs() >= apart {
                    self.station_on_photograph(canvas, plan, station);
                    last = station.along_px;
                }
            }
        }
        let mut labels = Vec::new();
        if let Some(tie) = &self.reading.tie {
            self.marks_on_photograph(canvas, plan, course, tie, &mut labels);
            self.ends_on_photograph(canvas, plan, course, tie, &mut labels);
        }
        self.finest_on_photograph(canvas, plan, course, &mut labels);
        // What matters most takes its place first: the finest place, the ends, then the marks' numbers.
        let marks = self.reading.tie.iter().flat_map(|tie| &tie.marks).flat_map(|mark| mark.halves_px.iter().flatten());
        let marks: Vec<Area> = marks
            .map(|half| {
                let [[ax, ay], [bx, by]] = half.map(|end| plan.on_photograph(end));
                Area::new(ax.min(bx), ay.min(by), ax.max(bx), ay.max(by)).grown(0.5 * em)
            })
            .collect();
        for label in labels.iter().rev() {
            // A mark's number starts beyond its mark; the others would rather stay off the marks.
            let free: &[Area] = if label.is_number() { &[] } else { &marks };
            self.label_on_photograph(canvas, plan, course, label, free);
        }
        canvas.clip_to(canvas.whole());
    }

    /// Strokes that end on the edges from outside, so that the edges stay free.
    fn station_on_photograph(&self, canvas: &mut Canvas, plan: &Plan, station: &Station) {
        let [left, right] = [station.left_edge_px, station.right_edge_px].map(|e| plan.on_photograph(e));
        let [dx, dy] = [left[0] - right[0], left[1] - right[1]];
        let apart = dx.hypot(dy);
        if !(apart.is_finite() && apart > 0.0) {
            return;
        }
        let out = [dx / apart, dy / apart];
        for (edge, sign) in [(left, 1.0), (right, -1.0)] {
            let at = |ems: f64| [edge[0] + sign * ems * self.em * out[0], edge[1] + sign * ems * self.em * out[1]];
            if station.used {
                canvas.line(at(0.0), at(0.55), Pen::solid(USED, 0.8 * self.thin(), 0.0));
            } else {
                canvas.line(at(0.0), at(1.0), Pen::solid(LEFT_OUT, 0.8 * self.thin(), 0.4 * self.thin()));
                canvas.ring(at(1.2), 0.22 * self.em, self.thin(), LEFT_OUT, 0.5 * self.thin());
            }
        }
    }

    fn marks_on_photograph(
        &self,
        canvas: &mut Canvas,
        plan: &Plan,
        course: &Course,
        tie: &Tie,
        labels: &mut Vec<Wanted>,
    ) {
        let across = course.across();
        for mark in tie.marks.iter().rev() {
            for half in mark.halves_px.iter().flatten() {
                // Beside the mark, not on it.
                let shift = [0.35 * self.em * course.direction[0], 0.35 * self.em * course.direction[1]];
                for sign in [-1.0, 1.0] {
                    let [a, b] = half.map(|end| {
                        let [x, y] = plan.on_photograph(end);
                        [x + sign * shift[0], y + sign * shift[1]]
                    });
                    canvas.line(a, b, Pen::solid(MARK, 0.8 * self.thin(), 0.5 * self.thin()));
                }
            }
            let outer = mark.halves_px[0].or(mark.halves_px[1]).map(|half| half[1]);
            let anchor = plan.on_photograph(outer.unwrap_or(mark.place_px));
            let [_, side] = course.along_across(outer.unwrap_or(mark.place_px));
            let sign = if side < 0.0 { -1.0 } else { 1.0 };
            let away = [sign * across[0], sign * across[1]];
            labels.push(Wanted { text: mark.index.to_string(), anchor, away, is_pointed_at: false });
        }
    }

    fn ends_on_photograph(
        &self,
        canvas: &mut Canvas,
        plan: &Plan,
        course: &Course,
        tie: &Tie,
        labels: &mut Vec<Wanted>,
    ) {
        let across = course.across();
        for (text, place) in [("HIGH", tie.high_px), ("LOW", tie.low_px)] {
            let centre = plan.on_photograph(place);
            if !plan.photograph.holds(centre) {
                continue;
            }
            let at = |ems: f64| [centre[0] + ems * self.em * across[0], centre[1] + ems * self.em * across[1]];
            let pen = Pen::solid(INK, 2.0 * self.thin(), self.thin());
            canvas.line(at(1.0), at(3.0), pen);
            canvas.line(at(-1.0), at(-3.0), pen);
            labels.push(Wanted { text: text.to_owned(), anchor: at(3.2), away: across, is_pointed_at: false });
        }
    }

    fn finest_on_photograph(&self, canvas: &mut Canvas, plan: &Plan, course: &Course, labels: &mut Vec<Wanted>) {
        let Some(waist) = &self.reading.waist else { return };
        let across = course.across();
        let half_kerf = waist.kerf_px.value / 2.0;
        for sign in [1.0, -1.0] {
            let edge = plan.on_photograph(course.place(waist.along_px, sign * half_kerf));
            let at =
                |ems: f64| [edge[0] + sign * ems * self.em * across[0], edge[1] + sign * ems * self.em * across[1]];
            let inwards = [-sign * across[0], -sign * across[1]];
            canvas.line(at(1.6), at(3.0), Pen::solid(FINEST, 2.0 * self.thin(), self.thin()));
            canvas.arrowhead(at(0.75), inwards, 1.1 * self.em, FINEST, self.thin());
            if let Some(range) = self.range_px() {
                let ends = range.map(|along| {
                    let [x, y] = plan.on_photograph(course.place(along, sign * half_kerf));
                    [x + sign * 2.2 * self.em * across[0], y + sign * 2.2 * self.em * across[1]]
                });
                self.bracket(canvas, ends, across);
            }
        }
        let edge = plan.on_photograph(course.place(waist.along_px, half_kerf));
        let anchor = [edge[0] + 3.2 * self.em * across[0], edge[1] + 3.2 * self.em * across[1]];
        labels.push(Wanted { text: "finest place".to_owned(), anchor, away: across, is_pointed_at: true });
    }

    /// From where to where along the course the finest place may lie.
    fn range_px(&self) -> Option<[f64; 2]> {
        let waist = self.reading.waist.as_ref()?;
        let half = waist.position_mm.expanded() / self.tie()?.mm_per_px(waist.along_px);
        half.is_finite().then_some([waist.along_px - half, waist.along_px + half])
    }

    fn bracket(&self, canvas: &mut Canvas, ends: [[f64; 2]; 2], across: [f64; 2]) {
        let reach = 0.4 * self.em;
        let pen = Pen::solid(FINEST, self.thin(), 0.8 * self.thin());
        canvas.line(ends[0], ends[1], pen);
        for [x, y] in ends {
            canvas.line(
                [x - reach * across[0], y - reach * across[1]],
                [x + reach * across[0], y + reach * across[1]],
                pen,
            );
        }
    }

    fn label_on_photograph(&self, canvas: &mut Canvas, plan: &Plan, course: &Course, label: &Wanted, free: &[Area]) {
        let em = if label.is_number() { self.small() } else { self.em };
        let room = Canvas::room(&label.text, em, [0.0, 0.0]);
        let [dx, dy] = course.direction;
        let middles = (0..7).flat_map(|ring| {
            [(1.0, 0.0), (1.0, 1.0), (1.0, -1.0), (-1.0, 0.0), (-1.0, 1.0), (-1.0, -1.0)].map(|(side, along)| {
                let away = [side * label.away[0], side * label.away[1]];
                // The other side of the line starts as far from the line as this one does.
                let across = course.across();
                let back = if side < 0.0 { self.mirrored(plan, course, label.anchor) } else { label.anchor };
                let clear = 0.5 * (room.width() * across[0].abs() + room.height() * across[1].abs());
                let far = clear + (0.3 + 1.3 * f64::from(ring)) * em;
                let along = along * 0.6 * (room.width() * dx.abs() + room.height() * dy.abs());
                [back[0] + far * away[0] + along * dx, back[1] + far * away[1] + along * dy]
            })
        });
        let middles: Vec<_> = middles.collect();
        let bounds = &plan.field;
        let placed = canvas
            .place(&label.text, em, middles.iter().copied(), bounds, free)
            .or_else(|| canvas.place(&label.text, em, middles.iter().copied(), bounds, &[]));
        if let Some(middle) = placed {
            let is_far = (middle[0] - label.anchor[0]).hypot(middle[1] - label.anchor[1]) > 4.0 * em;
            let is_same_side = {
                let toward = [middle[0] - label.anchor[0], middle[1] - label.anchor[1]];
                toward[0] * label.away[0] + toward[1] * label.away[1] > 0.0
            };
            if label.is_pointed_at && is_far && is_same_side {
                let away = label.away;
                // Ends before the label begins, however the thread runs.
                let stop = 0.5 * (room.width() * away[0].abs() + room.height() * away[1].abs()) + 0.2 * em;
                let end = [middle[0] - away[0] * stop, middle[1] - away[1] * stop];
                canvas.line(label.anchor, end, Pen::solid(INK, 0.8 * self.thin(), 0.6 * self.thin()));
            }
        }
    }

    /// The place as far on the other side of the line.
    fn mirrored(&self, plan: &Plan, course: &Course, [x, y]: [f64; 2]) -> [f64; 2] {
        let place = [(x - plan.photograph.left) / plan.scale, (y - plan.photograph.top) / plan.scale];
        let [along, across] = course.along_across(place);
        plan.on_photograph(course.place(along, -across))
    }

    /// The whole line pulled straight, its width exaggerated.
    fn straight(&self, canvas: &mut Canvas, panel: Area, course: &Course) {
        let em = self.em;
        let is_rising = self.tie().is_none_or(Tie::is_rising);
        let area = Area::new(
            (panel.left + 5.0 * em).round(),
            (panel.top + 4.6 * em).round(),
            panel.right.round(),
            (panel.bottom - 3.4 * em).round(),
        );
        let [mut from, mut to] = [course.start_px, course.end_px];
        for station in &self.reading.stations {
            [from, to] = [from.min(station.along_px), to.max(station.along_px)];
        }
        let long = (to - from).max(1.0) * 1.04;
        let mut halves: Vec<f64> =
            self.reading.stations.iter().filter(|s| s.kerf_px.is_finite()).map(|s| s.kerf_px / 2.0).collect();
        halves.sort_by(f64::total_cmp);
        // Nine in ten places set the height: a knot must not press the line flat.
        let half = halves.get(halves.len() * 9 / 10).copied().unwrap_or(long / 200.0);
        let step = [long / area.width(), (3.8 * half).max(12.0) / area.height()];
        let middle_px = f64::midpoint(from, to);
        let view = Straightened { course, area, middle_px, sense: if is_rising { 1.0 } else { -1.0 }, step };
        self.resample(canvas, &view, false);
        let ratio = step[0] / step[1];
        let larger = if ratio < 9.95 { fixed(ratio, 1) } else { fixed(ratio, 0) };
        let title = if self.tie().is_some() {
            format!("The line pulled straight, low end on the left; across {larger} times as large as along")
        } else {
            format!("The line pulled straight; across {larger} times as large as along")
        };
        let title = lettering::cut(&title, em, panel.width());
        canvas.starting_at(&title, em, [panel.left, panel.top + 0.7 * em]);

        canvas.clip_to(area);
        let spacing = area.width() / self.reading.stations.len().max(1) as f64;
        self.edges(canvas, &view, (0.3 * spacing).clamp(1.2, 0.2 * em));
        self.finest_across(canvas, &view);
        canvas.clip_to(canvas.whole());
        canvas.frame(area, 1.5);

        let row = area.top - 1.0 * em;
        let bounds = Area::new(panel.left, panel.top + 1.3 * em, panel.right, area.top);
        let mut named = Vec::new();
        if let Some(waist) = &self.reading.waist {
            named.push(("finest place", waist.along_px));
        }
        if let Some(tie) = &self.reading.tie {
            named.push(("LOW", course.along_across(tie.low_px)[0]));
            named.push(("HIGH", course.along_across(tie.high_px)[0]));
        }
        for (text, along) in named {
            let [x, _] = view.screen([along, 0.0]);
            if x < area.left - 0.5 || x > area.right + 0.5 {
                continue;
            }
            let half = Canvas::room(text, self.small(), [0.0, 0.0]).width() / 2.0 + 0.2 * em;
            let middles = [0.0, 1.5 * em].into_iter().flat_map(|up| {
                let inside = x.clamp(bounds.left + half, bounds.right - half);
                [inside, x - half, x + half].map(|x| [x, row - up])
            });
            if let Some(middle) = canvas.place(text, self.small(), middles, &bounds, &[]) {
                let top = (middle[1] + 0.55 * self.small()).min(area.top);
                canvas.line([x, top], [x, area.top + 0.5 * em], Pen::solid(INK, 1.5 * self.thin(), 0.0));
            }
        }
        self.ruler(canvas, &view);
        self.scale_across(canvas, &view, panel.left);
    }

    /// Distances along the strip below the straightened line.
    fn ruler(&self, canvas: &mut Canvas, view: &Straightened<'_>) {
        let em = self.small();
        let area = view.area;
        let place = |x: f64| {
            let [along, _] = view.source([x, area.top]);
            self.tie().map_or(along, |tie| tie.at(along).position_mm)
        };
        let [first, last] = [place(area.left), place(area.right)];
        let step = round_step((last - first).abs() / (area.width() / (5.0 * em)));
        let decimals = (-step.log10().floor()).max(0.0) as usize;
        let mut before = (first / step).floor();
        for column in 1..=area.width() as usize {
            let x = area.left + column as f64;
            let here = (place(x) / step).floor();
            if here > before {
                canvas.line([x, area.bottom], [x, area.bottom + 0.4 * em], Pen::solid(INK, self.thin(), 0.0));
                let text = fixed(here * step, decimals);
                let bounds = canvas.whole();
                let _ = canvas.place(&text, em, [[x, area.bottom + 1.1 * em]], &bounds, &[]);
            }
            before = here;
        }
        let title = if self.tie().is_some() {
            "distance along the strip (mm from the low end)"
        } else {
            "distance along the line (pixels)"
        };
        canvas.centred(title, em, [area.middle()[0], area.bottom + 2.6 * em], false);
    }

    /// A bar of a round length beside the straightened line, for its width.
    fn scale_across(&self, canvas: &mut Canvas, view: &Straightened<'_>, left: f64) {
        let em = self.small();
        let area = view.area;
        let (per_step, unit) = self.scale_at(view.middle_px);
        let room = 0.45 * area.height() * view.step[1] * per_step;
        let length = round_step_below(room);
        let tall = length / per_step / view.step[1];
        let x = f64::midpoint(left, area.left);
        let [top, bottom] = [area.middle()[1] - tall / 2.0, area.middle()[1] + tall / 2.0];
        let pen = Pen::solid(INK, self.thin(), 0.0);
        canvas.line([x, top], [x, bottom], pen);
        for y in [top, bottom] {
            canvas.line([x - 0.4 * em, y], [x + 0.4 * em, y], pen);
        }
        let decimals = (-length.log10().floor()).max(0.0) as usize;
        canvas.centred(&format!("{} {unit}", fixed(length, decimals)), em, [x, bottom + 1.0 * em], false);
    }

    /// Millimetres per pixel where the line has that scale, else pixels.
    fn scale_at(&self, along_px: f64) -> (f64, &'static str) {
        let of_station = |s: &Station| s.kerf_mm.map(|mm| mm / s.kerf_px).filter(|v| v.is_finite() && *v > 0.0);
        let nearest = self
            .reading
            .stations
            .iter()
            .filter_map(|s| Some(((s.along_px - along_px).abs(), of_station(s)?)))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        nearest.map_or((1.0, "px"), |(_, mm_per_px)| (mm_per_px, "mm"))
    }

    /// A piece of the line round the finest place, so large that single pixels show.
    fn enlarged(&self, canvas: &mut Canvas, panel: Area, course: &Course) {
        let em = self.em;
        let Some((along, what)) = enlarged_at(self.reading, course) else { return };
        let is_rising = self.tie().is_none_or(Tie::is_rising);
        let area = Area::new(
            panel.left.round(),
            (panel.top + 1.6 * em).round(),
            panel.right.round(),
            (panel.bottom - 2.0 * em).round(),
        );
        let kerf = self
            .reading
            .stations
            .iter()
            .filter(|s| s.kerf_px.is_finite())
            .min_by(|a, b| (a.along_px - along).abs().total_cmp(&(b.along_px - along).abs()))
            .map_or(8.0, |s| s.kerf_px);
        let wanted = area.height() / (4.0 * kerf).max(14.0);
        let zoom = if wanted >= 1.0 { wanted.floor() } else { wanted };
        let step = [1.0 / zoom; 2];
        let view = Straightened { course, area, middle_px: along, sense: if is_rising { 1.0 } else { -1.0 }, step };
        self.resample(canvas, &view, true);
        let size = if zoom >= 1.0 {
            format!("one pixel of the picture is {} here", fixed(zoom, 0))
        } else {
            format!("{} times the picture's own size", fixed(zoom, 2))
        };
        let ends = self.range_px().map(|range| range.map(|along| view.screen([along, 0.0])[0]));
        let all =
            if ends.is_some_and(|ends| is_wider(ends, area)) { "; all of it within the give or take" } else { "" };
        let title = lettering::cut(&format!("{what}, enlarged: {size}{all}"), em, panel.width());
        canvas.starting_at(&title, em, [panel.left, panel.top + 0.7 * em]);
        canvas.clip_to(area);
        for side in 0..2 {
            let line: Vec<_> = self.reading.stations.iter().filter(|s| s.used).map(|s| view.edges(s)[side]).collect();
            let near = area.grown(area.width());
            for pair in line.windows(2).filter(|pair| pair.iter().any(|&p| near.holds(p))) {
                canvas.polyline(pair, Pen::solid(USED, 0.8 * self.thin(), 0.4 * self.thin()));
            }
        }
        self.edges(canvas, &view, 0.28 * em);
        if self.reading.waist.is_some() {
            self.finest_across(canvas, &view);
        }
        canvas.clip_to(canvas.whole());
        canvas.frame(area, 1.5);
        let (per_px, unit) = self.scale_at(along);
        let length = round_step_below(0.3 * area.width() * step[0] * per_px);
        let wide = length / per_px / step[0];
        let y = area.bottom + 0.9 * em;
        let pen = Pen::solid(INK, self.thin(), 0.0);
        canvas.line([area.left + 1.0, y], [area.left + 1.0 + wide, y], pen);
        for x in [area.left + 1.0, area.left + 1.0 + wide] {
            canvas.line([x, y - 0.4 * em], [x, y + 0.4 * em], pen);
        }
        let decimals = (-length.log10().floor()).max(0.0) as usize;
        canvas.starting_at(
            &format!("{} {unit}", fixed(length, decimals)),
            self.small(),
            [area.left + wide + 0.8 * em, y],
        );
    }

    fn edges(&self, canvas: &mut Canvas, view: &Straightened<'_>, radius: f64) {
        let near = view.area.grown(2.0 * self.em);
        for is_used in [false, true] {
            for station in self.reading.stations.iter().filter(|s| s.used == is_used) {
                for edge in view.edges(station).into_iter().filter(|&e| near.holds(e)) {
                    if is_used {
                        let halo = if radius < 2.0 { 0.0 } else { 0.5 * self.thin() };
                        canvas.disc(edge, radius, USED, halo);
                    } else {
                        let radius = radius.max(0.2 * self.em);
                        canvas.ring(edge, radius, self.thin(), LEFT_OUT, 0.5 * self.thin());
                    }
                }
            }
        }
    }

    /// The finest place at the rims of a straightened view, the line itself left free.
    fn finest_across(&self, canvas: &mut Canvas, view: &Straightened<'_>) {
        let Some(waist) = &self.reading.waist else { return };
        let area = view.area;
        let [x, _] = view.screen([waist.along_px, 0.0]);
        let reach = 0.16 * area.height();
        let pen = Pen::solid(FINEST, 1.5 * self.thin(), self.thin());
        for (rim, sign) in [(area.top, 1.0), (area.bottom, -1.0)] {
            let tip = rim + sign * reach;
            canvas.line([x, rim], [x, tip - sign * 0.8 * self.em], pen);
            canvas.arrowhead([x, tip], [0.0, sign], self.em, FINEST, self.thin());
            let ends = self.range_px().map(|range| range.map(|along| view.screen([along, 0.0])[0]));
            if let Some(ends) = ends.filter(|&ends| !is_wider(ends, area)) {
                let y = rim + sign * 0.45 * reach;
                let ends = ends.map(|x| [x, y]);
                self.bracket(canvas, ends, [0.0, 1.0]);
            }
        }
    }

    /// Fills a straightened view from the photograph: `exact` shows its pixels as they are, else they are averaged
    /// along the line, as many as fall on one pixel of the view.
    fn resample(&self, canvas: &mut Canvas, view: &Straightened<'_>, exact: bool) {
        let area = view.area;
        let [columns, rows] = [area.width() as usize, area.height() as usize];
        let samples = if exact && view.step[0] <= 1.0 { 1 } else { view.step[0].ceil().clamp(1.0, 24.0) as usize };
        let source = |column: f64, row: f64| {
            let [along, across] = view.source([area.left + column, area.top + row]);
            view.course.place(along, across)
        };
        // Only the part of the photograph that the view can show: its corners and the course between them.
        let [width, height] = [self.photo.width(), self.photo.height()];
        let places: Vec<[f64; 2]> =
            (0..=columns).flat_map(|c| [0.0, rows as f64].map(|r| source(c as f64, r))).collect();
        let bound = |axis: usize, size: usize| {
            let least = places.iter().map(|p| p[axis]).fold(f64::INFINITY, f64::min) - 2.0;
            let most = places.iter().map(|p| p[axis]).fold(f64::NEG_INFINITY, f64::max) + 2.0;
            [least.clamp(0.0, (size - 1) as f64) as usize, most.clamp(1.0, size as f64) as usize]
        };
        let [[left, right], [top, bottom]] = [bound(0, width), bound(1, height)];
        let part = ImageBuffer::<Luma<u16>, Vec<u16>>::from_fn((right - left) as u32, (bottom - top) as u32, |x, y| {
            Luma([self.photo.plane.at([top + y as usize, left + x as usize])])
        });
        let mut straight = ImageBuffer::new((columns * samples) as u32, rows as u32);
        warp_into_with(
            &part,
            |x, y| {
                let [x, y] = source((f64::from(x) + 0.5) / samples as f64, f64::from(y) + 0.5);
                // Pixel centres are at whole numbers there.
                ((x - left as f64 - 0.5) as f32, (y - top as f64 - 0.5) as f32)
            },
            if exact { Interpolation::Nearest } else { Interpolation::Bilinear },
            Border::Replicate,
            &mut straight,
        );
        for row in 0..rows {
            for column in 0..columns {
                let [x, y] = source(column as f64 + 0.5, row as f64 + 0.5);
                let level = if x >= 0.0 && y >= 0.0 && x < width as f64 && y < height as f64 {
                    let first = (column * samples) as u32;
                    let sum: f64 =
                        (0..samples as u32).map(|i| f64::from(straight.get_pixel(first + i, row as u32)[0])).sum();
                    self.level(sum / samples as f64)
                } else {
                    OUTSIDE
                };
                canvas.picture.put_pixel(area.left as u32 + column as u32, area.top as u32 + row as u32, level);
            }
        }
    }

    fn level(&self, light: f64) -> Rgb<u8> {
        Rgb([self.grey[light.round().clamp(0.0, 65535.0) as usize]; 3])
    }

    fn legend(&self, canvas: &mut Canvas, area: Area) {
        let em = self.em;
        for (index, (key, text)) in legend_lines(self.reading, em, area.width()).into_iter().enumerate() {
            let y = area.top + (index as f64 + 0.5) * 1.6 * em;
            let middle = area.left + 1.5 * em;
            let [from, to] = [[middle - 1.2 * em, y], [middle + 1.2 * em, y]];
            let thin = self.thin();
            match key {
                Some(Key::Used) => canvas.disc([middle, y], 0.28 * em, USED, 0.5 * thin),
                Some(Key::LeftOut) => canvas.ring([middle, y], 0.28 * em, thin, LEFT_OUT, 0.5 * thin),
                Some(Key::Course) => {
                    let is_dark = self.reading.course.as_ref().is_some_and(|c| c.is_dark);
                    let line = if is_dark { Rgb([85; 3]) } else { Rgb([225; 3]) };
                    canvas.line(from, to, Pen::solid(line, 4.0 * thin, 0.0));
                    let pen = Pen::solid(COURSE[usize::from(is_dark)], thin, 0.0);
                    canvas.line(from, to, pen.dashed(0.3 * em, 0.6 * em));
                }
                Some(Key::Ends) => {
                    canvas.line([middle, y - 0.6 * em], [middle, y + 0.6 * em], Pen::solid(INK, 2.0 * thin, 0.0));
                }
                Some(Key::Mark) => {
                    for shift in [-0.3 * em, 0.3 * em] {
                        let x = middle + shift;
                        canvas.line([x, y - 0.6 * em], [x, y + 0.6 * em], Pen::solid(MARK, thin, 0.0));
                    }
                }
                Some(Key::Finest) => {
                    let level = y - 0.3 * em;
                    self.bracket(canvas, [[from[0], level], [to[0], level]], [0.0, 1.0]);
                    canvas.arrowhead([middle, y + 0.6 * em], [0.0, 1.0], em, FINEST, 0.0);
                }
                Some(Key::Outline) => {
                    canvas.line(from, to, Pen::solid(INK, thin, 0.0).dashed(0.7 * em, 0.4 * em));
                }
                None => {}
            }
            canvas.starting_at(
                &text,
                em,
                [area.left + if key.is_none() && index == 0 { 0.0 } else { KEY_EMS * em }, y],
            );
        }
    }
}

/// True where a range reaches past both sides of an area, so that neither of its ends could be drawn there.
fn is_wider(ends: [f64; 2], area: Area) -> bool {
    ends[0].min(ends[1]) < area.left && ends[0].max(ends[1]) > area.right
}

/// A label that wants a place near its anchor, away from the line.
struct Wanted {
    text: String,
    anchor: [f64; 2],
    /// Unit vector from the line to the anchor.
    away: [f64; 2],
    /// True where a thread leads from the anchor to a label that had to move away.
    is_pointed_at: bool,
}

impl Wanted {
    fn is_number(&self) -> bool {
        self.text.bytes().all(|b| b.is_ascii_digit())
    }
}

/// The next of 1, 2, 5, 10 … that is not below.
fn round_step(about: f64) -> f64 {
    let ten = 10_f64.powf(about.max(1e-9).log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|m| m * ten).find(|&step| step >= about).unwrap_or(10.0 * ten)
}

/// The last of 1, 2, 5, 10 … that is not above.
fn round_step_below(about: f64) -> f64 {
    let ten = 10_f64.powf(about.max(1e-9).log10().floor());
    [5.0, 2.0].into_iter().map(|m| m * ten).find(|&step| step <= about).unwrap_or(ten)
}

/// sRGB grey of every 16-bit linear luminance (IEC 61966-2-1).
fn grey_of_light() -> Vec<u8> {
    (0..=u16::MAX)
        .map(|light| {
            let linear = f64::from(light) / 65535.0;
            let encoded = if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 };
            (255.0 * encoded).round() as u8
        })
        .collect()
}

/// The photograph in a given size: each pixel is the mean of the area it covers, in linear light. Row by row, so that
/// a picture of 200 megapixels needs no second copy of itself.
fn shrink(photo: &Photo, columns: usize, rows: usize) -> Vec<f64> {
    let across = shares(photo.width(), columns);
    let down = shares(photo.height(), rows);
    down.par_iter()
        .flat_map_iter(|(first_row, weights)| {
            let mut sums = vec![0.0; photo.width()];
            for (index, weight) in weights.iter().enumerate() {
                let row = photo.plane.row(first_row + index);
                row.each(1, photo.width(), |column, light| sums[column] += weight * f64::from(light));
            }
            across
                .iter()
                .map(|(first, weights)| weights.iter().zip(&sums[*first..]).map(|(weight, sum)| weight * sum).sum())
                .collect::<Vec<f64>>()
        })
        .collect()
}

/// For each of `to` cells: the first of `from` cells it covers, and the share each covered one has in it.
fn shares(from: usize, to: usize) -> Vec<(usize, Vec<f64>)> {
    let size = from as f64 / to as f64;
    (0..to)
        .map(|cell| {
            let [start, end] = [cell as f64 * size, ((cell + 1) as f64 * size).min(from as f64)];
            let first = (start.floor() as usize).min(from - 1);
            let last = (end.ceil() as usize).clamp(first + 1, from);
            let cover = |i: usize| (end.min(i as f64 + 1.0) - start.max(i as f64)).max(0.0);
            let weights: Vec<f64> = (first..last).map(cover).collect();
            let total: f64 = weights.iter().sum();
            (first, weights.into_iter().map(|w| w / total).collect())
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shrinking_keeps_the_mean_and_enlarging_repeats_pixels() {
        let luminance = ndarray::Array2::from_shape_fn((7, 11), |(row, column)| (row * 5000 + column * 900) as u16);
        let mean = luminance.iter().map(|&v| f64::from(v)).sum::<f64>() / 77.0;
        let photo = Photo::from_light(luminance);
        let small = shrink(&photo, 4, 3);
        assert_eq!(small.len(), 12);
        assert!((small.iter().sum::<f64>() / 12.0 - mean).abs() < 1e-6);
        let large = shrink(&photo, 33, 21);
        for (index, &light) in large.iter().enumerate() {
            let expected = f64::from(photo.plane.at([index / 33 / 3, index % 33 / 3]));
            assert!((light - expected).abs() < 1e-6);
        }
    }

    #[test]
    fn half_the_light_is_shown_as_the_eye_expects() {
        let grey = grey_of_light();
        assert_eq!((grey[0], grey[65535]), (0, 255));
        // Mid grey of sRGB, 8-bit 188, is half the light of white.
        assert_eq!(grey[32768], 188);
        assert!(grey.windows(2).all(|pair| pair[0] <= pair[1]));
    }

    #[test]
    fn a_straightened_place_leads_back_to_itself_and_is_not_mirrored() {
        let course = Course {
            origin_px: [100.0, 50.0],
            direction: [-0.8, 0.6],
            start_px: 0.0,
            end_px: 80.0,
            step_px: 40.0,
            offsets_px: vec![0.0, 2.0, 1.0],
            is_dark: true,
        };
        for sense in [1.0, -1.0] {
            let area = Area::new(10.0, 20.0, 210.0, 80.0);
            let view = Straightened { course: &course, area, middle_px: 40.0, sense, step: [0.5, 0.1] };
            for place in [[12.0, 21.0], [110.0, 50.0], [200.0, 70.0]] {
                let [x, y] = view.screen(view.source(place));
                assert!((x - place[0]).abs() < 1e-9 && (y - place[1]).abs() < 1e-9);
            }
            // A step to the right and a step down on the view keep their turning sense in the photograph.
            let at = |place| {
                let [along, across] = view.source(place);
                course.place(along, across)
            };
            let [o, r, d] = [at([110.0, 50.0]), at([110.1, 50.0]), at([110.0, 50.1])];
            assert!((r[0] - o[0]) * (d[1] - o[1]) - (r[1] - o[1]) * (d[0] - o[0]) > 0.0);
        }
    }

    #[test]
    fn what_was_not_measured_is_not_called_the_narrowest_measured_place() {
        let luminance = ndarray::Array2::from_shape_fn((300, 900), |(y, x)| {
            let [x, y] = [x as f64 + 0.5, y as f64 + 0.5];
            let half_width = 3.0 + 8.0 * ((x - 450.0) / 380.0).powi(2);
            let aside = (y - 80.0).abs().min((y - 220.0).abs());
            if (70.0..830.0).contains(&x) && aside < half_width { 4000 } else { 30000 }
        });
        let setup = crate::setup::parse_toml(include_str!("../../fixtures/north-scan.toml"), None).unwrap();
        let photo = Photo::from_light(luminance);
        let mut reading = crate::reading::read(&photo, &setup, &crate::reading::ReadOptions::default()).unwrap();
        assert_eq!(reading.outcome.as_ref().unwrap_err().code, crate::refusal::RefusalCode::SeveralLines);
        let course = reading.course.clone().unwrap();
        assert_eq!(enlarged_at(&reading, &course).unwrap().1, "The middle of the line");
        reading.stations.push(Station::clean(200.0, 8.0));
        assert_eq!(enlarged_at(&reading, &course), Some((200.0, "The narrowest measured place")));
    }
}
