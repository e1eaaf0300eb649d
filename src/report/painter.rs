//! Drawing with `plotters` on a fixed sheet, once for SVG and PNG: strokes, patches, marks and letters in the bundled font.

use std::cell::RefCell;
use std::sync::Once;

use image::RgbImage;
use plotters::coord::Shift;
use plotters::element::DashedPathElement;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontFamily, FontStyle, FontTransform, RGBColor, register_font};

use super::lettering;

/// The bundled font under the names a viewer of the SVG may have: Verdana is as wide as DejaVu Sans.
const FAMILY: &str = "DejaVu Sans, Verdana, sans-serif";
/// The bitmap is drawn this much larger and averaged down, which smooths what `plotters` draws with hard edges.
const OVERSAMPLING: u32 = 2;

pub(crate) const EM: f64 = 21.0;
pub(crate) const SMALL_EM: f64 = 18.0;
pub(crate) const TITLE_EM: f64 = 27.0;

pub(crate) const INK: RGBColor = RGBColor(25, 25, 25);
pub(crate) const FAINT_INK: RGBColor = RGBColor(110, 110, 110);
pub(crate) const GRID: RGBColor = RGBColor(225, 225, 225);

/// Something that can be drawn on a sheet of its own.
pub(crate) trait Drawing {
    fn paint<DB: DrawingBackend>(&self, painter: &Painter<'_, DB>) -> Drawn<DB>;
}

/// A drawing as SVG text, on a sheet of a width and height in units of its own.
pub(crate) fn svg(sheet: [u32; 2], drawing: &impl Drawing) -> String {
    register();
    let mut text = String::new();
    let area = SVGBackend::with_string(&mut text, (sheet[0], sheet[1])).into_drawing_area();
    drawing
        .paint(&Painter { area: &area, scale: 1.0, kept: None })
        .expect("drawing into a string fails only without a font");
    area.present().expect("drawing into a string does not fail");
    drop(area);
    text
}

/// A drawing as a picture of a width and height in pixels.
pub(crate) fn png(sheet: [u32; 2], drawing: &impl Drawing) -> RgbImage {
    register();
    let size = sheet.map(|side| side * OVERSAMPLING);
    let mut large = RgbImage::new(size[0], size[1]);
    let kept = RefCell::default();
    {
        let area = BitMapBackend::with_buffer(&mut large, (size[0], size[1])).into_drawing_area();
        drawing
            .paint(&Painter { area: &area, scale: f64::from(OVERSAMPLING), kept: Some(&kept) })
            .expect("drawing into memory fails only without a font");
        area.present().expect("drawing into memory does not fail");
    }
    let mut picture = image::imageops::thumbnail(&large, sheet[0], sheet[1]);
    kept.into_inner().iter().for_each(|letters: &Letters| letters.write(&mut picture));
    picture
}

fn register() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        assert!(register_font(FAMILY, FontStyle::Normal, lettering::FONT).is_ok(), "the bundled font is a font");
    });
}

/// A round step of 1, 2 or 5 times a power of ten, at least as large as `about`.
pub(crate) fn round_step(about: f64) -> f64 {
    let ten = 10_f64.powf(about.max(1e-9).log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|m| m * ten).find(|&step| step >= about).unwrap_or(10.0 * ten)
}

pub(crate) type Drawn<DB> = Result<(), DrawingAreaErrorKind<<DB as DrawingBackend>::ErrorType>>;

/// A sheet being drawn.
pub(crate) struct Painter<'a, DB: DrawingBackend> {
    pub(crate) area: &'a DrawingArea<DB, Shift>,
    scale: f64,
    /// Texts kept back until the bitmap has its final size, since letters that are averaged down turn soft;
    /// `None` where the backend writes them itself.
    kept: Option<&'a RefCell<Vec<Letters>>>,
}

/// A text with its place on the sheet.
pub(crate) struct Letters {
    pub(crate) place: [f64; 2],
    pub(crate) em: f64,
    pub(crate) ink: RGBColor,
    pub(crate) side: HPos,
    pub(crate) is_upright: bool,
    pub(crate) text: String,
}

impl Letters {
    fn write(&self, picture: &mut RgbImage) {
        let ink = image::Rgb([self.ink.0, self.ink.1, self.ink.2]);
        let wide = lettering::width(&self.text, self.em);
        let share = match self.side {
            HPos::Left => 0.0,
            HPos::Center => 0.5,
            HPos::Right => 1.0,
        };
        let below = lettering::CAP_HEIGHT * self.em / 2.0;
        if self.is_upright {
            let left = self.place[0] - share * wide;
            lettering::write(picture, [left, self.place[1] + below], self.em, &self.text, ink, None);
            return;
        }
        // Bottom to top: written level on a piece of its own, then turned.
        let size = [(wide + 8.0).ceil() as u32, (2.0 * self.em).ceil() as u32];
        let mut piece = RgbImage::from_pixel(size[0], size[1], image::Rgb([255; 3]));
        lettering::write(&mut piece, [4.0, self.em + below], self.em, &self.text, ink, None);
        let turned = image::imageops::rotate270(&piece);
        let [x, y] = [self.place[0] - self.em, self.place[1] - wide * (1.0 - share) - 4.0];
        image::imageops::replace(picture, &turned, x.round() as i64, y.round() as i64);
    }
}

/// Where the frame of the chart lies on the sheet, and what its sides mean.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Frame {
    pub(crate) left: f64,
    pub(crate) top: f64,
    pub(crate) right: f64,
    pub(crate) bottom: f64,
    pub(crate) across: [f64; 2],
    pub(crate) up: [f64; 2],
}

impl Frame {
    pub(crate) fn x(&self, across: f64) -> f64 {
        self.left + (across - self.across[0]) / (self.across[1] - self.across[0]) * (self.right - self.left)
    }

    pub(crate) fn y(&self, up: f64) -> f64 {
        self.bottom - (up - self.up[0]) / (self.up[1] - self.up[0]) * (self.bottom - self.top)
    }

    pub(crate) fn width(&self) -> f64 {
        self.right - self.left
    }

    pub(crate) fn inside_x(&self, place: f64) -> f64 {
        self.x(place).clamp(self.left, self.right)
    }
}

/// What a point is drawn as.
#[derive(Clone, Copy, PartialEq)]
pub(crate) enum Shape {
    Dot,
    Square,
    Ring,
    Diamond,
    Cross,
    Plus,
    Triangle,
}

impl<DB: DrawingBackend> Painter<'_, DB> {
    pub(crate) fn patch(&self, [left, top, right, bottom]: [f64; 4], colour: RGBColor) -> Drawn<DB> {
        self.area.draw(&Rectangle::new([self.at([left, top]), self.at([right, bottom])], colour.filled()))
    }

    #[cfg(feature = "logbook")]
    pub(crate) fn polygon(&self, corners: &[[f64; 2]], colour: RGBColor) -> Drawn<DB> {
        let corners: Vec<(i32, i32)> = corners.iter().map(|&c| self.at(c)).collect();
        self.area.draw(&Polygon::new(corners, colour.filled()))
    }

    pub(crate) fn mark(&self, [x, y]: [f64; 2], shape: Shape, radius: f64) -> Drawn<DB> {
        let around = |corners: &[[f64; 2]]| corners.iter().map(|[dx, dy]| [x + dx, y + dy]).collect::<Vec<_>>();
        let hollow = |corners: &[[f64; 2]]| {
            let corners = around(corners);
            let places: Vec<_> = corners.iter().map(|&c| self.at(c)).collect();
            self.area.draw(&Polygon::new(places, WHITE.filled()))?;
            self.line(&[&corners[..], &corners[..1]].concat(), INK, 1.8, [0.0, 0.0])
        };
        let plain = [0.0, 0.0];
        match shape {
            Shape::Dot => self.area.draw(&Circle::new(self.at([x, y]), self.length(radius), INK.filled())),
            Shape::Ring => {
                self.area.draw(&Circle::new(self.at([x, y]), self.length(6.0), WHITE.filled()))?;
                self.area.draw(&Circle::new(self.at([x, y]), self.length(6.0), self.stroke(INK, 1.8)))
            }
            Shape::Square => hollow(&[[-6.0, -6.0], [6.0, -6.0], [6.0, 6.0], [-6.0, 6.0]]),
            Shape::Diamond => hollow(&[[0.0, -8.0], [8.0, 0.0], [0.0, 8.0], [-8.0, 0.0]]),
            Shape::Triangle => hollow(&[[0.0, -8.0], [7.0, 6.0], [-7.0, 6.0]]),
            Shape::Cross => {
                self.line(&around(&[[-6.0, -6.0], [6.0, 6.0]]), INK, 2.2, plain)?;
                self.line(&around(&[[-6.0, 6.0], [6.0, -6.0]]), INK, 2.2, plain)
            }
            Shape::Plus => {
                self.line(&around(&[[-8.0, 0.0], [8.0, 0.0]]), INK, 2.2, plain)?;
                self.line(&around(&[[0.0, -8.0], [0.0, 8.0]]), INK, 2.2, plain)
            }
        }
    }

    pub(crate) fn at(&self, [x, y]: [f64; 2]) -> (i32, i32) {
        ((x * self.scale).round() as i32, (y * self.scale).round() as i32)
    }

    pub(crate) fn length(&self, length: f64) -> i32 {
        (length * self.scale).round() as i32
    }

    pub(crate) fn stroke(&self, colour: RGBColor, thickness: f64) -> ShapeStyle {
        ShapeStyle::from(colour).stroke_width((thickness * self.scale).round().max(1.0) as u32)
    }

    pub(crate) fn line(&self, places: &[[f64; 2]], colour: RGBColor, thickness: f64, dashes: [f64; 2]) -> Drawn<DB> {
        let places: Vec<(i32, i32)> = places.iter().map(|&p| self.at(p)).collect();
        let style = self.stroke(colour, thickness);
        if dashes[0] > 0.0 {
            let [drawn, gap] = dashes.map(|d| self.length(d));
            self.area.draw(&DashedPathElement::new(places, drawn, gap, style))
        } else {
            self.area.draw(&PathElement::new(places, style))
        }
    }

    pub(crate) fn text(&self, place: [f64; 2], em: f64, ink: RGBColor, side: HPos, text: &str) -> Drawn<DB> {
        self.letters(Letters { place, em, ink, side, is_upright: true, text: text.to_owned() })
    }

    pub(crate) fn letters(&self, letters: Letters) -> Drawn<DB> {
        if let Some(kept) = self.kept {
            kept.borrow_mut().push(letters);
            return Ok(());
        }
        // plotters divides a size by 1.24 before it calls it an em.
        let font = (FontFamily::Name(FAMILY), letters.em * 1.24 * self.scale).into_font();
        let turn = if letters.is_upright { FontTransform::None } else { FontTransform::Rotate270 };
        let pos = Pos::new(letters.side, VPos::Center);
        let style = TextStyle { font: font.transform(turn), color: letters.ink.to_backend_color(), pos };
        self.area.draw(&Text::new(letters.text, self.at(letters.place), style))
    }
}
