//! Strokes, marks and letters on a picture, smooth at fractions of a pixel and never outside their panel.

use image::{Rgb, RgbImage};

use super::lettering::{self, blend};

pub(crate) const PAPER: Rgb<u8> = Rgb([250, 250, 250]);
pub(crate) const INK: Rgb<u8> = Rgb([25, 25, 25]);
const WHITE: Rgb<u8> = Rgb([255, 255, 255]);

/// A rectangle in pixels of the canvas: left, top, right, bottom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Area {
    pub(crate) left: f64,
    pub(crate) top: f64,
    pub(crate) right: f64,
    pub(crate) bottom: f64,
}

impl Area {
    pub(crate) const fn new(left: f64, top: f64, right: f64, bottom: f64) -> Self {
        Self { left, top, right, bottom }
    }

    pub(crate) fn width(&self) -> f64 {
        self.right - self.left
    }

    pub(crate) fn height(&self) -> f64 {
        self.bottom - self.top
    }

    pub(crate) fn middle(&self) -> [f64; 2] {
        [f64::midpoint(self.left, self.right), f64::midpoint(self.top, self.bottom)]
    }

    pub(crate) fn holds(&self, [x, y]: [f64; 2]) -> bool {
        x >= self.left && x <= self.right && y >= self.top && y <= self.bottom
    }

    pub(crate) fn is_inside(&self, outer: &Self) -> bool {
        outer.holds([self.left, self.top]) && outer.holds([self.right, self.bottom])
    }

    pub(crate) fn meets(&self, other: &Self) -> bool {
        self.left < other.right && other.left < self.right && self.top < other.bottom && other.top < self.bottom
    }

    pub(crate) fn grown(&self, by: f64) -> Self {
        Self::new(self.left - by, self.top - by, self.right + by, self.bottom + by)
    }
}

/// How a line is drawn: its colour over a halo, so that it is seen on light wood and on dark soot.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pen {
    pub(crate) colour: Rgb<u8>,
    pub(crate) width: f64,
    /// How far the halo reaches beyond the line; 0: none.
    pub(crate) halo: f64,
    /// Drawn and left free, in turn; drawn 0: solid.
    pub(crate) dashes: [f64; 2],
}

impl Pen {
    pub(crate) const fn solid(colour: Rgb<u8>, width: f64, halo: f64) -> Self {
        Self { colour, width, halo, dashes: [0.0, 0.0] }
    }

    pub(crate) const fn dashed(self, drawn: f64, free: f64) -> Self {
        Self { dashes: [drawn, free], ..self }
    }
}

/// A text that was written, and the room it takes.
#[derive(Debug, Clone, PartialEq)]
pub struct Label {
    /// What it says.
    pub text: String,
    /// Left, top, right and bottom in pixels of the drawing.
    pub area_px: [f64; 4],
}

/// The picture being drawn.
pub(crate) struct Canvas {
    pub(crate) picture: RgbImage,
    pub(crate) labels: Vec<Label>,
    clip: Area,
}

impl Canvas {
    pub(crate) fn new(width: u32, height: u32) -> Self {
        let clip = Area::new(0.0, 0.0, f64::from(width), f64::from(height));
        Self { picture: RgbImage::from_pixel(width, height, PAPER), labels: Vec::new(), clip }
    }

    pub(crate) fn whole(&self) -> Area {
        Area::new(0.0, 0.0, f64::from(self.picture.width()), f64::from(self.picture.height()))
    }

    /// Strokes and marks stay inside this area until the next call.
    pub(crate) const fn clip_to(&mut self, area: Area) {
        self.clip = area;
    }

    /// Fills what `share` says of every pixel near an area; `share` is asked with the pixel's centre.
    fn fill(&mut self, near: Area, colour: Rgb<u8>, share: impl Fn([f64; 2]) -> f64) {
        let left = near.left.max(self.clip.left).floor() as i64;
        let right = near.right.min(self.clip.right).ceil() as i64;
        let top = near.top.max(self.clip.top).floor() as i64;
        let bottom = near.bottom.min(self.clip.bottom).ceil() as i64;
        for y in top..bottom {
            for x in left..right {
                blend(&mut self.picture, x, y, colour, share([x as f64 + 0.5, y as f64 + 0.5]));
            }
        }
    }

    pub(crate) fn frame(&mut self, area: Area, width: f64) {
        let Area { left, top, right, bottom } = area;
        let corners = [[left, top], [right, top], [right, bottom], [left, bottom], [left, top]];
        self.polyline(&corners, Pen::solid(INK, width, 0.0));
    }

    pub(crate) fn line(&mut self, from: [f64; 2], to: [f64; 2], pen: Pen) {
        self.polyline(&[from, to], pen);
    }

    /// All halos first, so that a halo never lies on the line's own colour.
    pub(crate) fn polyline(&mut self, places: &[[f64; 2]], pen: Pen) {
        // A place that is none would otherwise reach everywhere.
        if !places.iter().flatten().all(|v| v.is_finite()) {
            return;
        }
        let pieces = dashed(places, pen.dashes);
        if pen.halo > 0.0 {
            for &[a, b] in &pieces {
                self.segment(a, b, pen.width + 2.0 * pen.halo, WHITE, 0.75);
            }
        }
        for &[a, b] in &pieces {
            self.segment(a, b, pen.width, pen.colour, 1.0);
        }
    }

    fn segment(&mut self, a: [f64; 2], b: [f64; 2], width: f64, colour: Rgb<u8>, most: f64) {
        let half = width / 2.0;
        let near = Area::new(a[0].min(b[0]), a[1].min(b[1]), a[0].max(b[0]), a[1].max(b[1])).grown(half + 1.0);
        let [dx, dy] = [b[0] - a[0], b[1] - a[1]];
        let squared = (dx * dx + dy * dy).max(1e-12);
        self.fill(near, colour, |[x, y]| {
            let share = (((x - a[0]) * dx + (y - a[1]) * dy) / squared).clamp(0.0, 1.0);
            let away = (x - a[0] - share * dx).hypot(y - a[1] - share * dy);
            most * (half + 0.5 - away).clamp(0.0, width.min(1.0))
        });
    }

    pub(crate) fn disc(&mut self, centre: [f64; 2], radius: f64, colour: Rgb<u8>, halo: f64) {
        self.round(centre, radius, 0.0, colour, halo);
    }

    pub(crate) fn ring(&mut self, centre: [f64; 2], radius: f64, width: f64, colour: Rgb<u8>, halo: f64) {
        self.round(centre, radius, radius - width, colour, halo);
    }

    fn round(&mut self, centre: [f64; 2], outer: f64, inner: f64, colour: Rgb<u8>, halo: f64) {
        if !centre.iter().all(|v| v.is_finite()) {
            return;
        }
        let near = Area::new(centre[0], centre[1], centre[0], centre[1]).grown(outer + halo + 1.0);
        let cover = |place: [f64; 2], outer: f64, inner: f64| {
            let away = (place[0] - centre[0]).hypot(place[1] - centre[1]);
            let hole = if inner > 0.0 { (inner + 0.5 - away).clamp(0.0, 1.0) } else { 0.0 };
            (outer + 0.5 - away).clamp(0.0, 1.0) - hole
        };
        if halo > 0.0 {
            self.fill(near, WHITE, |place| 0.75 * cover(place, outer + halo, (inner - halo).max(0.0)));
        }
        self.fill(near, colour, |place| cover(place, outer, inner));
    }

    /// A filled triangle with its tip at `tip`, reaching back against `direction`, a unit vector.
    pub(crate) fn arrowhead(&mut self, tip: [f64; 2], direction: [f64; 2], length: f64, colour: Rgb<u8>, halo: f64) {
        if !tip.iter().all(|v| v.is_finite()) {
            return;
        }
        let near = Area::new(tip[0], tip[1], tip[0], tip[1]).grown(length + halo + 2.0);
        let cover = |[x, y]: [f64; 2], reach: f64| {
            let [dx, dy] = [x - tip[0], y - tip[1]];
            let back = -(dx * direction[0] + dy * direction[1]);
            let aside = (dx * direction[1] - dy * direction[0]).abs();
            let slanted = 0.9 * (back * 0.45 - aside) + reach;
            slanted.min(length + reach - back).min(back + reach).mul_add(1.0, 0.5).clamp(0.0, 1.0)
        };
        if halo > 0.0 {
            self.fill(near, WHITE, |place| 0.75 * cover(place, halo));
        }
        self.fill(near, colour, |place| cover(place, 0.0));
    }

    /// The room a text takes when its letters are centred on `middle`.
    pub(crate) fn room(text: &str, em: f64, middle: [f64; 2]) -> Area {
        let half = [lettering::width(text, em) / 2.0 + 0.15 * em, 0.62 * em];
        Area::new(middle[0] - half[0], middle[1] - half[1], middle[0] + half[0], middle[1] + half[1])
    }

    /// Writes a text centred on `middle`.
    pub(crate) fn centred(&mut self, text: &str, em: f64, middle: [f64; 2], has_halo: bool) {
        let wide = lettering::width(text, em);
        let start = [middle[0] - wide / 2.0, middle[1] + lettering::CAP_HEIGHT * em / 2.0];
        lettering::write(&mut self.picture, start, em, text, INK, has_halo.then_some(WHITE));
        let Area { left, top, right, bottom } = Self::room(text, em, middle);
        self.labels.push(Label { text: text.to_owned(), area_px: [left, top, right, bottom] });
    }

    /// Writes a text from `left` on, its letters centred on the height `y`.
    pub(crate) fn starting_at(&mut self, text: &str, em: f64, [left, y]: [f64; 2]) {
        self.centred(text, em, [left + lettering::width(text, em) / 2.0, y], false);
    }

    /// Writes a label at the first of the places where it lies inside `bounds` and clear of every other label and
    /// of the areas to be kept free; says where. Nothing is written where no place will do.
    pub(crate) fn place(
        &mut self,
        text: &str,
        em: f64,
        middles: impl IntoIterator<Item = [f64; 2]>,
        bounds: &Area,
        free: &[Area],
    ) -> Option<[f64; 2]> {
        let middle = middles.into_iter().find(|&middle| {
            let room = Self::room(text, em, middle).grown(0.12 * em);
            let is_clear = |l: &Label| {
                let [left, top, right, bottom] = l.area_px;
                !room.meets(&Area::new(left, top, right, bottom))
            };
            room.is_inside(bounds) && self.labels.iter().all(is_clear) && !free.iter().any(|f| f.meets(&room))
        })?;
        self.centred(text, em, middle, true);
        Some(middle)
    }
}

/// A line cut into straight pieces, and into dashes where there are any; dashes run on round corners.
fn dashed(places: &[[f64; 2]], [drawn, free]: [f64; 2]) -> Vec<[[f64; 2]; 2]> {
    let mut pieces = Vec::new();
    let mut gone = 0.0;
    for pair in places.windows(2) {
        let [a, b] = [pair[0], pair[1]];
        let length = (b[0] - a[0]).hypot(b[1] - a[1]);
        if drawn <= 0.0 || length <= 0.0 {
            pieces.push([a, b]);
            continue;
        }
        let at = |s: f64| [a[0] + (b[0] - a[0]) * s / length, a[1] + (b[1] - a[1]) * s / length];
        let period = drawn + free;
        let mut start = -(gone % period);
        while start < length {
            let [from, to] = [start.max(0.0), (start + drawn).min(length)];
            if to > from {
                pieces.push([at(from), at(to)]);
            }
            start += period;
        }
        gone += length;
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dashes_cover_their_share_and_run_round_corners() {
        let pieces = dashed(&[[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]], [3.0, 2.0]);
        let length: f64 = pieces.iter().map(|[a, b]| (b[0] - a[0]).hypot(b[1] - a[1])).sum();
        assert!((length - 12.0).abs() < 1e-9, "{length}");
        assert_eq!(dashed(&[[0.0, 0.0], [4.0, 0.0]], [0.0, 0.0]), [[[0.0, 0.0], [4.0, 0.0]]]);
    }

    #[test]
    fn a_stroke_covers_its_width_and_keeps_to_its_clip() {
        let mut canvas = Canvas::new(40, 20);
        canvas.clip_to(Area::new(0.0, 0.0, 20.0, 20.0));
        canvas.line([-5.0, 10.0], [50.0, 10.0], Pen::solid(INK, 3.0, 0.0));
        let darkness = |x: u32| {
            (0..20).map(|y| f64::from(PAPER.0[0]) - f64::from(canvas.picture.get_pixel(x, y).0[0])).sum::<f64>()
                / f64::from(PAPER.0[0] - INK.0[0])
        };
        assert!((darkness(10) - 3.0).abs() < 0.1, "{}", darkness(10));
        assert!(darkness(30).abs() < 1e-9);
    }

    #[test]
    fn a_label_that_finds_no_place_is_left_away() {
        let mut canvas = Canvas::new(200, 60);
        let bounds = canvas.whole();
        let middles = [[100.0, 30.0], [100.0, 45.0]];
        assert!(canvas.place("LOW", 20.0, middles, &bounds, &[]).is_some());
        assert!(canvas.place("HIGH", 20.0, middles, &bounds, &[]).is_none());
        assert_eq!(canvas.labels.len(), 1);
    }
}
