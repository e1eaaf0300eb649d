//! The EXIF orientation tag, applied while luminance is written, so that no second copy is needed.

use bytemuck::Zeroable;
use ndarray::Array2;
use rayon::prelude::*;

use super::decode::zeroed;
use super::error::DecodeError;
use super::luminance::Converter;
use super::plane::Plane;

/// Rows turned at once by a quarter: few enough that they stay in the cache, enough to write whole cache lines.
const BAND_ROWS: usize = 64;
/// Rows made luminance at once where they stand.
const IN_PLACE_ROWS: usize = 256;
/// Columns of a band that one task turns into rows.
const BLOCK_COLUMNS: usize = 16;

/// EXIF orientation (Exif 2.3, tag 0x0112): where row 0 and column 0 of the stored pixels lie in the scene.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Orientation(u8);

impl Orientation {
    /// As stored, which is also what an undefined value means.
    pub(super) const UPRIGHT: Self = Self(1);

    pub(super) fn from_tag(value: u32) -> Self {
        match value {
            1..=8 => Self(value as u8),
            _ => Self::UPRIGHT,
        }
    }

    pub(super) const fn tag(self) -> u8 {
        self.0
    }

    /// True where rows become columns, so that width and height change places.
    pub(super) const fn is_quarter_turn(self) -> bool {
        self.0 >= 5
    }

    /// Stored row 0 is the bottom (or, after a quarter turn, the right).
    const fn reverses_rows(self) -> bool {
        matches!(self.0, 3 | 4 | 6 | 7)
    }

    /// Stored column 0 is the right (or, after a quarter turn, the bottom).
    const fn reverses_columns(self) -> bool {
        matches!(self.0, 2 | 3 | 7 | 8)
    }
}

/// The upright picture, of light or of samples, while it is being filled with stored rows, in any number of portions.
pub(super) struct Canvas<T = u16> {
    upright: Vec<T>,
    stored_width: usize,
    stored_height: usize,
    orientation: Orientation,
    band: Vec<T>,
}

impl<T: Zeroable + Copy + Send + Sync> Canvas<T> {
    pub(super) fn new(width: usize, height: usize, orientation: Orientation) -> Result<Self, DecodeError> {
        let band = if orientation.is_quarter_turn() { zeroed(width * BAND_ROWS.min(height))? } else { Vec::new() };
        Ok(Self { upright: zeroed(width * height)?, stored_width: width, stored_height: height, orientation, band })
    }

    /// Puts `rows` stored rows, the first of them being row `first`; `fill(i, row)` writes the
    /// `i`-th of them. Rows are filled in parallel, each by itself, so the result does not depend on the threads.
    pub(super) fn put_rows(&mut self, first: usize, rows: usize, fill: impl Fn(usize, &mut [T]) + Sync) {
        if self.orientation.is_quarter_turn() {
            for start in (0..rows).step_by(BAND_ROWS) {
                let count = BAND_ROWS.min(rows - start);
                self.put_turned(first + start, count, |i, row| fill(start + i, row));
            }
            return;
        }
        let (width, height) = (self.stored_width, self.stored_height);
        let flip = self.orientation.reverses_rows();
        let top = if flip { height - first - rows } else { first };
        let mirror = self.orientation.reverses_columns();
        self.upright[top * width..(top + rows) * width]
            .par_chunks_exact_mut(width)
            .with_min_len(8)
            .enumerate()
            .for_each(|(i, row)| {
                fill(if flip { rows - 1 - i } else { i }, row);
                if mirror {
                    row.reverse();
                }
            });
    }

    fn put_turned(&mut self, first: usize, rows: usize, fill: impl Fn(usize, &mut [T]) + Sync) {
        let (width, height) = (self.stored_width, self.stored_height);
        let band = &mut self.band[..rows * width];
        band.par_chunks_exact_mut(width).with_min_len(8).enumerate().for_each(|(i, row)| fill(i, row));
        let band = &self.band[..rows * width];
        let (flip_rows, flip_columns) = (self.orientation.reverses_rows(), self.orientation.reverses_columns());
        // Stored column c becomes an upright row; the band's rows become a run of that row's pixels.
        let left = if flip_rows { height - first - rows } else { first };
        self.upright.par_chunks_mut(BLOCK_COLUMNS * height).enumerate().for_each(|(block, upright)| {
            for i in 0..rows {
                let x = left + if flip_rows { rows - 1 - i } else { i };
                for (j, row) in upright.chunks_exact_mut(height).enumerate() {
                    let y = block * BLOCK_COLUMNS + j;
                    let column = if flip_columns { width - 1 - y } else { y };
                    row[x] = band[i * width + column];
                }
            }
        });
    }

    /// The upright picture, shape (height, width).
    pub(super) fn finish(self) -> Array2<T> {
        let (width, height) = (self.stored_width, self.stored_height);
        let shape = if self.orientation.is_quarter_turn() { (width, height) } else { (height, width) };
        Array2::from_shape_vec(shape, self.upright).expect("the canvas was allocated with this many pixels")
    }
}

/// The upright light of a picture whose decoder delivers all stored samples at once: `decode` fills a buffer with them and lets go of
/// whatever it holds.
///
/// Where one sample of one byte says a pixel's light, that sample is what is kept, and of red, green and blue where red alone is
/// wanted, red. Otherwise an upright picture's luminance is written over the samples that it comes from, so that the two never stand
/// side by side.
///
/// # Errors
/// What `decode` says, and [`DecodeError::OutOfMemory`].
pub(super) fn whole(
    size: (usize, usize),
    orientation: Orientation,
    converter: &Converter,
    decode: impl FnOnce(&mut [u8]) -> Result<(), DecodeError>,
) -> Result<Plane, DecodeError> {
    let Some(light) = converter.light_of_samples() else {
        return converted(size, orientation, converter, decode).map(Plane::Linear);
    };
    let (width, height) = size;
    let row_bytes = converter.layout().row_bytes(width);
    let mut samples = zeroed::<u8>(row_bytes * height)?;
    decode(&mut samples)?;
    if row_bytes > width {
        keep_the_first(&mut samples, width, row_bytes / width);
        samples.truncate(width * height);
        // The others go before anything else comes.
        samples.shrink_to_fit();
    }
    let samples = if orientation == Orientation::UPRIGHT {
        Array2::from_shape_vec((height, width), samples).expect("cut to this many pixels")
    } else {
        let mut canvas = Canvas::new(width, height, orientation)?;
        canvas.put_rows(0, height, |i, row: &mut [u8]| row.copy_from_slice(&samples[i * width..][..width]));
        canvas.finish()
    };
    Ok(Plane::Coded { samples, light })
}

/// Moves the first of each `stride` samples to the front, in order.
fn keep_the_first(samples: &mut [u8], width: usize, stride: usize) {
    let band_bytes = IN_PLACE_ROWS * width * stride;
    samples.par_chunks_mut(band_bytes).for_each(|band| {
        for pixel in 0..band.len() / stride {
            band[pixel] = band[pixel * stride];
        }
    });
    for start in (0..samples.len()).step_by(band_bytes) {
        let kept = (samples.len() - start).min(band_bytes) / stride;
        samples.copy_within(start..start + kept, start / stride);
    }
}

/// As [`whole`], where light is made of several samples or of such as are no bytes.
fn converted(
    (width, height): (usize, usize),
    orientation: Orientation,
    converter: &Converter,
    decode: impl FnOnce(&mut [u8]) -> Result<(), DecodeError>,
) -> Result<Array2<u16>, DecodeError> {
    let row_bytes = converter.layout().row_bytes(width);
    if orientation != Orientation::UPRIGHT {
        let mut samples = zeroed::<u8>(row_bytes * height)?;
        decode(&mut samples)?;
        let mut canvas = Canvas::new(width, height, orientation)?;
        canvas.put_rows(0, height, |i, row| converter.row(&samples[i * row_bytes..][..row_bytes], row));
        return Ok(canvas.finish());
    }
    let luminance_bytes = 2 * width;
    let mut shared = zeroed::<u16>((row_bytes.max(luminance_bytes) * height).div_ceil(2))?;
    // Samples of fewer bytes than their luminance stand at the end: wherever they stand, no row is written over that is still wanted.
    let start = luminance_bytes.saturating_sub(row_bytes) * height;
    decode(&mut bytemuck::cast_slice_mut(&mut shared)[start..][..row_bytes * height])?;
    let convert = |stored: &[u8], upright: &mut [u16]| {
        upright
            .par_chunks_exact_mut(width)
            .zip(stored.par_chunks_exact(row_bytes))
            .with_min_len(8)
            .for_each(|(row, stored)| converter.row(stored, row));
    };
    let mut band = zeroed::<u16>(width * IN_PLACE_ROWS.min(height))?;
    let mut first = 0;
    while first < height {
        let unread = start + first * row_bytes;
        // Rows whose luminance ends before what is not converted yet.
        let free = (unread / luminance_bytes - first).min(height - first);
        let rows = free.max(IN_PLACE_ROWS.min(height - first));
        if rows == free {
            let (upright, stored) = shared.split_at_mut(unread / 2);
            let stored = &bytemuck::cast_slice::<u16, u8>(stored)[unread % 2..][..rows * row_bytes];
            convert(stored, &mut upright[first * width..][..rows * width]);
        } else {
            let band = &mut band[..rows * width];
            convert(&bytemuck::cast_slice::<u16, u8>(&shared)[unread..][..rows * row_bytes], band);
            shared[first * width..][..rows * width].copy_from_slice(band);
        }
        first += rows;
    }
    shared.truncate(width * height);
    shared.shrink_to_fit();
    Ok(Array2::from_shape_vec((height, width), shared).expect("cut to this many pixels"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Where stored pixel (row, column) shows, straight from the definition in Exif 2.3 (CIPA DC-008), tag 0x0112:
    /// where row 0 and column 0 of the stored pixels lie in the scene.
    fn shown_at(tag: u8, (row, column): (usize, usize), (height, width): (usize, usize)) -> (usize, usize) {
        let (from_bottom, from_right) = (height - 1 - row, width - 1 - column);
        match tag {
            1 => (row, column),             // top, left
            2 => (row, from_right),         // top, right
            3 => (from_bottom, from_right), // bottom, right
            4 => (from_bottom, column),     // bottom, left
            5 => (column, row),             // left, top
            6 => (column, from_bottom),     // right, top
            7 => (from_right, from_bottom), // right, bottom
            _ => (from_right, row),         // left, bottom
        }
    }

    #[test]
    fn portions_of_any_size_land_where_the_tag_says() {
        let (height, width) = (201, 37);
        let stored = |row: usize, column: usize| (row * width + column) as u16;
        for tag in 1..=8 {
            for portion in [1, 7, 64, 130, 201] {
                let mut canvas = Canvas::<u16>::new(width, height, Orientation::from_tag(tag)).unwrap();
                for first in (0..height).step_by(portion) {
                    canvas.put_rows(first, portion.min(height - first), |i, row| {
                        for (column, pixel) in row.iter_mut().enumerate() {
                            *pixel = stored(first + i, column);
                        }
                    });
                }
                let upright = canvas.finish();
                for row in 0..height {
                    for column in 0..width {
                        let place = shown_at(tag as u8, (row, column), (height, width));
                        assert_eq!(upright[place], stored(row, column), "tag {tag}, portions of {portion}");
                    }
                }
            }
        }
    }

    /// Samples of one byte and of three, written over where they stand, from pictures of any height.
    #[test]
    fn a_whole_picture_is_converted_where_it_stands() {
        use crate::photo::luminance::{Alpha, Colour, Depth, Layout, Light, Transfer};
        let layouts = [(Colour::Grey, Alpha::None), (Colour::Grey, Alpha::Straight), (Colour::Rgb, Alpha::None)];
        for (colour, alpha) in layouts {
            let layout = Layout { colour, alpha, depth: Depth::Eight };
            let converter = Converter::new(layout, Transfer::Linear, Light::Luminance);
            for (height, width) in [(1, 1), (1, 7), (3, 5), (255, 3), (256, 3), (257, 3), (1201, 7)] {
                let row_bytes = layout.row_bytes(width);
                let stored: Vec<u8> = (0..height * row_bytes).map(|i| (i * 31 % 251) as u8).collect();
                let copy = |to: &mut [u8]| {
                    to.copy_from_slice(&stored);
                    Ok(())
                };
                let upright = whole((width, height), Orientation::UPRIGHT, &converter, copy).unwrap();
                for (row, stored) in upright.to_light().outer_iter().zip(stored.chunks_exact(row_bytes)) {
                    let mut wanted = vec![0; width];
                    converter.row(stored, &mut wanted);
                    assert_eq!(row.to_vec(), wanted, "{colour:?}, {width} × {height}");
                }
            }
        }
    }

    /// Red alone, of which the other samples are let go, is what all samples give row by row.
    #[test]
    fn the_red_light_of_a_turned_picture_is_that_of_its_rows() {
        use crate::photo::luminance::{Alpha, Colour, Depth, Layout, Light, Transfer};
        let layout = Layout { colour: Colour::Rgb, alpha: Alpha::None, depth: Depth::Eight };
        let converter = Converter::new(layout, Transfer::Srgb, Light::Red);
        let (height, width) = (131, 37);
        let row_bytes = layout.row_bytes(width);
        let stored: Vec<u8> = (0..height * row_bytes).map(|i| (i * 37 % 253) as u8).collect();
        for tag in 1..=8 {
            let orientation = Orientation::from_tag(tag);
            let copy = |to: &mut [u8]| {
                to.copy_from_slice(&stored);
                Ok(())
            };
            let upright = whole((width, height), orientation, &converter, copy).unwrap();
            let mut canvas = Canvas::new(width, height, orientation).unwrap();
            canvas.put_rows(0, height, |i, row| converter.row(&stored[i * row_bytes..][..row_bytes], row));
            assert!(*upright.to_light() == canvas.finish(), "tag {tag}");
        }
    }

    #[test]
    fn values_outside_the_definition_are_upright() {
        for value in [0, 9, 257, u32::MAX] {
            assert_eq!(Orientation::from_tag(value), Orientation::UPRIGHT);
        }
    }

    #[test]
    fn a_canvas_beyond_memory_is_an_error() {
        let size = 1 << 31;
        assert!(matches!(Canvas::<u16>::new(size, size, Orientation::UPRIGHT), Err(DecodeError::OutOfMemory { .. })));
    }
}
