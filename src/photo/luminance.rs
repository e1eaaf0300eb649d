//! From stored samples to relative luminance in linear light.
//!
//! Luminance is `0.2126 R + 0.7152 G + 0.0722 B` of the *linear* components (ITU-R BT.709-6, item 3.3; from memory),
//! the components being made linear with the sRGB curve of IEC 61966-2-1 unless the file states another one.
//! A JPEG's luma comes here as grey. Of a picture in colours the linear red component alone can be had instead. White is 65535.
//! Everything goes through look-up tables, since a power per pixel would cost more than decoding.

use std::sync::OnceLock;

use super::plane::LightOfSample;

/// Which light of a picture is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Light {
    /// All of it, as the eye weighs it.
    Luminance,
    /// Its red alone.
    Red,
}

impl Light {
    /// Weights of linear red, green and blue.
    const fn weights(self) -> [f64; 3] {
        match self {
            Self::Luminance => [0.2126, 0.7152, 0.0722],
            Self::Red => [1.0, 0.0, 0.0],
        }
    }

    /// The same in 1/65536; they add up to exactly 65536, so that white stays white.
    const fn weights_16(self) -> [u32; 3] {
        match self {
            Self::Luminance => [13933, 46871, 4732],
            Self::Red => [1 << 16, 0, 0],
        }
    }
}

/// How a file's samples relate to light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Transfer {
    /// IEC 61966-2-1, the curve of nearly every scanner, phone and editor.
    Srgb,
    /// Samples proportional to light.
    Linear,
    /// Light is the sample raised to this exponent.
    Power(f64),
}

impl Transfer {
    /// Light (0 to 1) of a sample (0 to 1).
    pub(super) fn to_linear(self, sample: f64) -> f64 {
        match self {
            Self::Srgb if sample <= 0.04045 => sample / 12.92,
            Self::Srgb => ((sample + 0.055) / 1.055).powf(2.4),
            Self::Linear => sample,
            Self::Power(exponent) => sample.powf(exponent),
        }
    }
}

/// What the samples of one pixel are, in the order they are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Colour {
    /// One sample, black is zero.
    Grey,
    /// Red, green, blue.
    Rgb,
    /// Cyan, magenta, yellow, black; zero is no ink, or full ink where `inverted`.
    Cmyk {
        /// True where zero is full ink, as Adobe programs store it in JPEG.
        inverted: bool,
    },
    /// Y, Cb, Cr of JFIF (full range, ITU-R BT.601 weights).
    YCbCr,
}

/// Whether a sample of opacity follows the colour samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Alpha {
    /// No such sample.
    None,
    /// Colour is stored as if opaque.
    Straight,
    /// Colour is stored already multiplied with the opacity.
    Premultiplied,
    /// A sample follows, but what it means is not said.
    Ignored,
}

/// How a sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Depth {
    /// 1, 2 or 4 bits, packed from the high bit down; for grey only.
    Packed(u8),
    /// One byte.
    Eight,
    /// Two bytes, high byte first.
    SixteenBig,
    /// Two bytes in the machine's order.
    SixteenNative,
}

/// How one row of a file's pixels is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Layout {
    pub(super) colour: Colour,
    pub(super) alpha: Alpha,
    pub(super) depth: Depth,
}

impl Layout {
    pub(super) fn samples_per_pixel(self) -> usize {
        let colours = match self.colour {
            Colour::Grey => 1,
            Colour::Rgb | Colour::YCbCr => 3,
            Colour::Cmyk { .. } => 4,
        };
        colours + usize::from(self.alpha != Alpha::None)
    }

    pub(super) fn row_bytes(self, width: usize) -> usize {
        match self.depth {
            Depth::Packed(bits) => (width * usize::from(bits)).div_ceil(8),
            Depth::Eight => width * self.samples_per_pixel(),
            Depth::SixteenBig | Depth::SixteenNative => 2 * width * self.samples_per_pixel(),
        }
    }
}

/// Fractional bits of the 8-bit tables: white is 65535 << 15, which still fits 32 bits with the rounding added.
const FRACTION_BITS: u32 = 15;
const WHITE: u32 = 65535;

#[derive(Clone)]
struct Tables8 {
    weighted: [[u32; 256]; 3],
    grey: [u16; 256],
}

impl Tables8 {
    fn new(transfer: Transfer, wanted: Light) -> Self {
        let mut weighted = [[0; 256]; 3];
        let mut grey = [0; 256];
        for value in 0..256 {
            let light = transfer.to_linear(value as f64 / 255.0) * f64::from(WHITE << FRACTION_BITS);
            for (table, weight) in weighted.iter_mut().zip(wanted.weights()) {
                table[value] = (light * weight).round() as u32;
            }
            // The same sum as for colour, so that a grey picture reads alike in one channel and in three.
            grey[value] = sum_8(weighted[0][value], weighted[1][value], weighted[2][value]);
        }
        Self { weighted, grey }
    }

    #[inline]
    fn rgb(&self, r: u8, g: u8, b: u8) -> u16 {
        let [red, green, blue] = &self.weighted;
        sum_8(red[usize::from(r)], green[usize::from(g)], blue[usize::from(b)])
    }
}

#[inline]
fn sum_8(r: u32, g: u32, b: u32) -> u16 {
    // At most 65535 + 2⁻¹⁵ before rounding down, so the cast loses nothing.
    ((r + g + b + (1 << (FRACTION_BITS - 1))) >> FRACTION_BITS) as u16
}

fn table_16(transfer: Transfer) -> Vec<u16> {
    (0..=WHITE)
        .map(|value| (transfer.to_linear(f64::from(value) / f64::from(WHITE)) * f64::from(WHITE)).round() as u16)
        .collect()
}

#[inline]
fn sum_16([red, green, blue]: [u32; 3], r: u16, g: u16, b: u16) -> u16 {
    // At most 65535 · 65536 + 32768, which fits 32 bits.
    ((u32::from(r) * red + u32::from(g) * green + u32::from(b) * blue + (1 << 15)) >> 16) as u16
}

/// Turns rows of stored samples into rows of luminance.
#[derive(Clone)]
pub(super) struct Converter {
    layout: Layout,
    weights_16: [u32; 3],
    eight: Tables8,
    sixteen: Vec<u16>,
}

impl Converter {
    pub(super) fn new(layout: Layout, transfer: Transfer, wanted: Light) -> Self {
        static SRGB_16: OnceLock<Vec<u16>> = OnceLock::new();
        let sixteen = match (layout.depth, transfer) {
            (Depth::Packed(_) | Depth::Eight, _) => Vec::new(),
            (_, Transfer::Srgb) => SRGB_16.get_or_init(|| table_16(Transfer::Srgb)).clone(),
            (_, other) => table_16(other),
        };
        Self { layout, weights_16: wanted.weights_16(), eight: Tables8::new(transfer, wanted), sixteen }
    }

    /// Light of each pixel's first sample, where that sample has one byte and says it all: of grey, and of red, green and blue where red
    /// alone is wanted.
    pub(super) fn light_of_samples(&self) -> Option<LightOfSample> {
        let is_red_alone = self.layout.colour == Colour::Rgb && self.weights_16 == Light::Red.weights_16();
        let is_enough = (self.layout.colour == Colour::Grey || is_red_alone) && self.layout.alpha == Alpha::None;
        // Grey is the sum of the weighted three, and red weighs all.
        (is_enough && self.layout.depth == Depth::Eight).then(|| Box::new(self.eight.grey))
    }

    /// Samples that are numbers of colours, which are sRGB in 1/65535: 2, 4, 16 or 256 of them, as many as the layout's
    /// grey samples have values.
    pub(super) fn with_palette(layout: Layout, colours: &[[u16; 3]], wanted: Light) -> Self {
        let mut converter = Self::new(layout, Transfer::Srgb, wanted);
        let light = |value: u16| Transfer::Srgb.to_linear(f64::from(value) / f64::from(WHITE));
        let most = (colours.len() - 1).max(1);
        for (number, colour) in colours.iter().enumerate() {
            let sum: f64 = colour.iter().zip(wanted.weights()).map(|(&value, weight)| weight * light(value)).sum();
            // As `row_packed` looks them up.
            converter.eight.grey[number * 255 / most] = (sum * f64::from(WHITE)).round() as u16;
        }
        converter
    }

    pub(super) fn layout(&self) -> Layout {
        self.layout
    }

    /// Converts one row: `stored` holds [`Layout::row_bytes`] bytes for `luminance.len()` pixels.
    pub(super) fn row(&self, stored: &[u8], luminance: &mut [u16]) {
        match self.layout.depth {
            Depth::Packed(bits) => self.row_packed(stored, luminance, usize::from(bits)),
            Depth::Eight => self.row_8(stored, luminance),
            Depth::SixteenBig => self.row_16(stored, luminance, u16::from_be_bytes),
            Depth::SixteenNative => self.row_16(stored, luminance, u16::from_ne_bytes),
        }
    }

    fn row_packed(&self, stored: &[u8], luminance: &mut [u16], bits: usize) {
        let most = (1usize << bits) - 1;
        for (column, out) in luminance.iter_mut().enumerate() {
            let bit = column * bits;
            let value = usize::from(stored[bit / 8]) >> (8 - bits - bit % 8) & most;
            // 255 is a multiple of 1, 3 and 15, so the division is exact.
            *out = self.eight.grey[value * 255 / most];
        }
    }

    fn row_8(&self, stored: &[u8], luminance: &mut [u16]) {
        let tables = &self.eight;
        let samples = self.layout.samples_per_pixel();
        match (self.layout.colour, self.layout.alpha) {
            (Colour::Grey, Alpha::None) => {
                for (out, &value) in luminance.iter_mut().zip(stored) {
                    *out = tables.grey[usize::from(value)];
                }
            }
            (Colour::Rgb, Alpha::None) => {
                for (out, pixel) in luminance.iter_mut().zip(stored.chunks_exact(3)) {
                    *out = tables.rgb(pixel[0], pixel[1], pixel[2]);
                }
            }
            (_, Alpha::None | Alpha::Ignored) => {
                for (out, pixel) in luminance.iter_mut().zip(stored.chunks_exact(samples)) {
                    *out = self.colour_8(pixel);
                }
            }
            (_, alpha) => {
                for (out, pixel) in luminance.iter_mut().zip(stored.chunks_exact(samples)) {
                    let (opacity, colours) = (pixel[samples - 1], &pixel[..samples - 1]);
                    let colour = match alpha {
                        Alpha::Premultiplied => {
                            let mut straight = [0; 4];
                            for (to, &from) in straight.iter_mut().zip(colours) {
                                *to = divide(u32::from(from), u32::from(opacity), 255) as u8;
                            }
                            self.colour_8(&straight[..colours.len()])
                        }
                        _ => self.colour_8(colours),
                    };
                    *out = over_white(colour, u32::from(opacity), 255);
                }
            }
        }
    }

    /// Luminance of one pixel's colour samples, opacity left aside.
    #[inline]
    fn colour_8(&self, pixel: &[u8]) -> u16 {
        match self.layout.colour {
            Colour::Grey => self.eight.grey[usize::from(pixel[0])],
            Colour::Rgb => self.eight.rgb(pixel[0], pixel[1], pixel[2]),
            Colour::Cmyk { inverted } => {
                let bare = |ink: u8| u32::from(if inverted { ink } else { 255 - ink });
                let black = bare(pixel[3]);
                let [r, g, b] = [0, 1, 2].map(|i| ((bare(pixel[i]) * black + 127) / 255) as u8);
                self.eight.rgb(r, g, b)
            }
            Colour::YCbCr => {
                let (y, cb, cr) = (f32::from(pixel[0]), f32::from(pixel[1]) - 128.0, f32::from(pixel[2]) - 128.0);
                // ITU-T T.871, clause 7 (from memory). A float cast saturates, which is the clamping asked for there.
                let r = (y + 1.402 * cr).round() as u8;
                let g = (y - 0.344_136 * cb - 0.714_136 * cr).round() as u8;
                let b = (y + 1.772 * cb).round() as u8;
                self.eight.rgb(r, g, b)
            }
        }
    }

    fn row_16(&self, stored: &[u8], luminance: &mut [u16], read: fn([u8; 2]) -> u16) {
        let samples = self.layout.samples_per_pixel();
        for (out, pixel) in luminance.iter_mut().zip(stored.chunks_exact(2 * samples)) {
            let mut values = [0u16; 5];
            for (value, bytes) in values.iter_mut().zip(pixel.chunks_exact(2)) {
                *value = read([bytes[0], bytes[1]]);
            }
            let opacity = u32::from(values[samples - 1]);
            *out = match self.layout.alpha {
                Alpha::None | Alpha::Ignored => self.colour_16(values),
                Alpha::Straight => over_white(self.colour_16(values), opacity, WHITE),
                Alpha::Premultiplied => {
                    let straight = values.map(|value| divide(u32::from(value), opacity, WHITE) as u16);
                    over_white(self.colour_16(straight), opacity, WHITE)
                }
            };
        }
    }

    #[inline]
    fn colour_16(&self, values: [u16; 5]) -> u16 {
        let light = |value: u16| self.sixteen[usize::from(value)];
        match self.layout.colour {
            Colour::Grey => light(values[0]),
            Colour::Rgb => sum_16(self.weights_16, light(values[0]), light(values[1]), light(values[2])),
            Colour::Cmyk { inverted } => {
                let bare = |ink: u16| u32::from(if inverted { ink } else { 65535 - ink });
                let black = bare(values[3]);
                let [r, g, b] = [0, 1, 2].map(|i| light(((bare(values[i]) * black + 32767) / WHITE) as u16));
                sum_16(self.weights_16, r, g, b)
            }
            // No file format read here stores it; the decoders refuse it before.
            Colour::YCbCr => light(values[0]),
        }
    }
}

/// `value / opacity` on a scale of `full`, at most `full`; 0 where nothing is left to see.
fn divide(value: u32, opacity: u32, full: u32) -> u32 {
    (value * full).checked_div(opacity).unwrap_or(0).min(full)
}

/// Lays a partly transparent pixel over white paper: mixed in linear light, as light itself mixes.
#[inline]
fn over_white(luminance: u16, opacity: u32, full: u32) -> u16 {
    // At most 65535 · 65535 + 32767, which fits 32 bits.
    ((u32::from(luminance) * opacity + WHITE * (full - opacity) + full / 2) / full) as u16
}

#[cfg(test)]
mod tests {
    use super::*;

    fn convert(layout: Layout, stored: &[u8]) -> Vec<u16> {
        let bits = 8 * layout.row_bytes(64) / 64;
        let mut row = vec![0; stored.len() * 8 / bits];
        Converter::new(layout, Transfer::Srgb, Light::Luminance).row(stored, &mut row);
        row
    }

    #[test]
    fn the_srgb_curve_at_its_published_points() {
        // IEC 61966-2-1:1999, clause 5.2 (clause and values from memory): the branches meet at 0.04045, where light is
        // 0.0031308; the ends are fixed points.
        let light = |sample| Transfer::Srgb.to_linear(sample);
        assert_eq!((light(0.0), light(1.0)), (0.0, 1.0));
        assert!((light(0.04045) - 0.003_130_8).abs() < 1e-7);
        assert!((light(0.040_450_1) - 0.003_130_8).abs() < 1e-7);
        assert!((light(0.5) - 0.214_041).abs() < 1e-6);
    }

    #[test]
    fn the_weights_of_rec_709_keep_white_white() {
        for wanted in [Light::Luminance, Light::Red] {
            assert_eq!(wanted.weights_16().iter().sum::<u32>(), 1 << 16);
            for (rounded, weight) in wanted.weights_16().iter().zip(wanted.weights()) {
                assert!((f64::from(*rounded) - weight * 65536.0).abs() < 0.5);
            }
        }
        let rgb = Layout { colour: Colour::Rgb, alpha: Alpha::None, depth: Depth::Eight };
        assert_eq!(convert(rgb, &[255, 255, 255, 0, 0, 0]), [65535, 0]);
        // 0.2126, 0.7152 and 0.0722 of 65535.
        assert_eq!(convert(rgb, &[255, 0, 0, 0, 255, 0, 0, 0, 255]), [13933, 46871, 4732]);
        let wide = Layout { depth: Depth::SixteenBig, ..rgb };
        assert_eq!(convert(wide, &[255; 6]), [65535]);
    }

    #[test]
    fn eight_and_sixteen_bits_agree() {
        for transfer in [Transfer::Srgb, Transfer::Linear, Transfer::Power(1.8)] {
            let layout = Layout { colour: Colour::Grey, alpha: Alpha::None, depth: Depth::Eight };
            let stored: Vec<u8> = (0..=255).collect();
            let (mut narrow, mut wide) = ([0; 256], [0; 256]);
            Converter::new(layout, transfer, Light::Luminance).row(&stored, &mut narrow);
            // 257 v of 65535 is v of 255.
            let doubled: Vec<u8> = stored.iter().flat_map(|&v| [v, v]).collect();
            let layout = Layout { depth: Depth::SixteenNative, ..layout };
            Converter::new(layout, transfer, Light::Luminance).row(&doubled, &mut wide);
            assert!(narrow.iter().zip(wide).all(|(a, b)| a.abs_diff(b) <= 1), "{transfer:?}");
        }
    }

    #[test]
    fn premultiplied_and_straight_opacity_agree() {
        // (200, 100, 50) at opacity 51 of 255, straight and multiplied with 0.2.
        let straight = Layout { colour: Colour::Rgb, alpha: Alpha::Straight, depth: Depth::Eight };
        let premultiplied = Layout { alpha: Alpha::Premultiplied, ..straight };
        assert_eq!(convert(straight, &[200, 100, 50, 51]), convert(premultiplied, &[40, 20, 10, 51]));
        // Nothing there at all, and more colour than its opacity allows.
        assert_eq!(convert(premultiplied, &[0, 0, 0, 0, 255, 255, 255, 128]), [65535, 65535]);
        let ignored = Layout { alpha: Alpha::Ignored, ..straight };
        assert_eq!(convert(ignored, &[255, 255, 255, 0]), [65535]);
    }

    #[test]
    fn jfif_colours() {
        // ITU-T T.871: Y alone is grey; Cr at its end with the Y of red, 0.299 · 255 = 76, is red.
        let layout = Layout { colour: Colour::YCbCr, alpha: Alpha::None, depth: Depth::Eight };
        let found = convert(layout, &[255, 128, 128, 0, 128, 128, 76, 85, 255]);
        assert_eq!(found[..2], [65535, 0]);
        assert!(found[2].abs_diff(13933) < 150, "{}", found[2]);
    }

    #[test]
    fn packed_bits_end_within_a_byte() {
        let layout = Layout { colour: Colour::Grey, alpha: Alpha::None, depth: Depth::Packed(4) };
        let mut row = [0; 3];
        Converter::new(layout, Transfer::Linear, Light::Luminance).row(&[0x0f, 0x50], &mut row);
        assert_eq!(row, [0, 65535, 21845]);
        assert_eq!(layout.row_bytes(3), 2);
    }
}
