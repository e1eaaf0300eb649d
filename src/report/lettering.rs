//! The bundled font: how wide a text is, and letters on a picture with a halo round them.

use ab_glyph::{Font, FontRef, Glyph, PxScale, ScaleFont, point};
use image::{Rgb, RgbImage};

/// A part of DejaVu Sans; see `fonts/LICENSE-DejaVu.txt`.
pub(crate) const FONT: &[u8] = include_bytes!("fonts/DejaVuSans-Subset.ttf");

/// Height of a capital letter over the em.
pub(crate) const CAP_HEIGHT: f64 = 0.73;

fn font() -> FontRef<'static> {
    FontRef::try_from_slice(FONT).expect("the bundled font is a font")
}

/// `ab_glyph` counts sizes from the deepest descender to the highest ascender; this counts the em, as everybody else.
fn scale(font: &FontRef<'_>, em_px: f64) -> PxScale {
    let em_units = font.units_per_em().expect("the bundled font states its em");
    PxScale::from(em_px as f32 * font.height_unscaled() / em_units)
}

/// Glyphs of a text with the pen starting at the origin, and where the pen ends.
fn set(text: &str, em_px: f64) -> (Vec<Glyph>, f64) {
    let font = font();
    let scaled = font.as_scaled(scale(&font, em_px));
    let mut pen = 0.0;
    let mut previous = None;
    let glyphs = text
        .chars()
        .map(|letter| {
            let id = scaled.glyph_id(letter);
            pen += previous.map_or(0.0, |p| scaled.kern(p, id));
            previous = Some(id);
            let glyph = id.with_scale_and_position(scaled.scale(), point(pen, 0.0));
            pen += scaled.h_advance(id);
            glyph
        })
        .collect();
    (glyphs, f64::from(pen))
}

/// Width of a text in pixels.
pub(crate) fn width(text: &str, em_px: f64) -> f64 {
    set(text, em_px).1
}

/// Breaks a text between words so that no line is wider than `room_px`; a word wider than that is cut.
pub(crate) fn wrap(text: &str, em_px: f64, room_px: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let word = cut(word, em_px, room_px);
        match lines.last_mut() {
            Some(line) if width(&format!("{line} {word}"), em_px) <= room_px => {
                line.push(' ');
                line.push_str(&word);
            }
            _ => lines.push(word),
        }
    }
    lines
}

/// The text, or as much of it as fits with an ellipsis.
pub(crate) fn cut(text: &str, em_px: f64, room_px: f64) -> String {
    if width(text, em_px) <= room_px {
        return text.to_owned();
    }
    let mut letters: Vec<char> = text.chars().collect();
    while letters.pop().is_some() {
        let shorter: String = letters.iter().chain(['…'].iter()).collect();
        if width(&shorter, em_px) <= room_px {
            return shorter;
        }
    }
    String::new()
}

/// Writes a text whose left end is at `x` and whose letters stand on `baseline`, in pixels of the picture.
/// A halo of the other lightness keeps it legible on wood and soot alike.
pub(crate) fn write(
    picture: &mut RgbImage,
    [x, baseline]: [f64; 2],
    em_px: f64,
    text: &str,
    ink: Rgb<u8>,
    halo: Option<Rgb<u8>>,
) {
    let font = font();
    let (glyphs, pen) = set(text, em_px);
    let reach = (em_px * 0.14).max(1.5);
    let margin = reach.ceil() as i64 + 1;
    let [left, top] = [x.floor() as i64 - margin, (baseline - em_px * 1.1).floor() as i64 - margin];
    let [columns, rows] = [pen.ceil() as i64 + 2 * margin + 2, (em_px * 1.5).ceil() as i64 + 2 * margin];
    let mut cover = vec![0.0_f32; (columns * rows) as usize];
    for mut glyph in glyphs {
        glyph.position.x += (x - left as f64) as f32;
        glyph.position.y += (baseline - top as f64) as f32;
        if let Some(outline) = font.outline_glyph(glyph) {
            let bounds = outline.px_bounds();
            outline.draw(|gx, gy, share| {
                let [column, row] = [bounds.min.x as i64 + i64::from(gx), bounds.min.y as i64 + i64::from(gy)];
                if (0..columns).contains(&column) && (0..rows).contains(&row) {
                    let cell = &mut cover[(row * columns + column) as usize];
                    *cell = (*cell + share).min(1.0);
                }
            });
        }
    }
    if let Some(halo) = halo {
        let around: Vec<(i64, i64, f64)> = (-margin..=margin)
            .flat_map(|dy| (-margin..=margin).map(move |dx| (dx, dy)))
            .map(|(dx, dy)| (dx, dy, (reach + 0.5 - (dx as f64).hypot(dy as f64)).clamp(0.0, 1.0)))
            .filter(|&(_, _, share)| share > 0.0)
            .collect();
        for row in 0..rows {
            for column in 0..columns {
                let share = around.iter().fold(0.0_f64, |most, &(dx, dy, near)| {
                    let [c, r] = [column + dx, row + dy];
                    if (0..columns).contains(&c) && (0..rows).contains(&r) {
                        most.max(near * f64::from(cover[(r * columns + c) as usize]))
                    } else {
                        most
                    }
                });
                blend(picture, left + column, top + row, halo, 0.9 * share);
            }
        }
    }
    for row in 0..rows {
        for column in 0..columns {
            let share = f64::from(cover[(row * columns + column) as usize]);
            blend(picture, left + column, top + row, ink, share);
        }
    }
}

/// Mixes `share` of a colour into a pixel; places outside the picture are passed over.
pub(crate) fn blend(picture: &mut RgbImage, x: i64, y: i64, colour: Rgb<u8>, share: f64) {
    if share <= 0.0 || x < 0 || y < 0 || x >= i64::from(picture.width()) || y >= i64::from(picture.height()) {
        return;
    }
    let pixel = picture.get_pixel_mut(x as u32, y as u32);
    for (channel, ink) in pixel.0.iter_mut().zip(colour.0) {
        let mixed = f64::from(*channel) + share.min(1.0) * (f64::from(ink) - f64::from(*channel));
        *channel = mixed.round().clamp(0.0, 255.0) as u8;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_of_the_words_on_pictures_is_in_the_font() {
        let font = font();
        for letter in ('!'..='~').chain("äöüßéèçñøåłőΔθμσ–—‘’“”…±≤≥≈−×°½\u{fffd}".chars())
        {
            assert_ne!(font.glyph_id(letter).0, 0, "{letter} is missing");
        }
    }

    #[test]
    fn a_wrapped_text_keeps_its_words_and_its_room() {
        let text = "the line fades out before its high end instead of stopping there";
        let lines = wrap(text, 20.0, 200.0);
        assert!(lines.len() > 2);
        assert!(lines.iter().all(|l| width(l, 20.0) <= 200.0));
        assert_eq!(lines.join(" "), text);
        assert!(cut("a_very_long_file_name_without_any_space.png", 20.0, 100.0).ends_with('…'));
    }

    #[test]
    fn letters_stay_near_their_place_and_may_leave_the_picture() {
        let mut picture = RgbImage::from_pixel(120, 40, Rgb([255; 3]));
        write(&mut picture, [10.0, 30.0], 20.0, "LOW", Rgb([0; 3]), None);
        let dark: Vec<_> = picture.enumerate_pixels().filter(|(_, _, p)| p.0[0] < 128).collect();
        assert!(!dark.is_empty());
        let end = 10.0 + width("LOW", 20.0);
        assert!(dark.iter().all(|&(x, y, _)| x >= 9 && f64::from(x) <= end + 1.0 && (14..=31).contains(&y)));
        write(&mut picture, [-500.0, -500.0], 20.0, "LOW", Rgb([0; 3]), Some(Rgb([255; 3])));
        write(&mut picture, [110.0, 39.0], 20.0, "LOW", Rgb([0; 3]), Some(Rgb([255; 3])));
    }
}
