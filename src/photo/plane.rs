//! Every pixel's light, in the smallest form that keeps it whole.

use std::borrow::Cow;

use ndarray::Array2;

/// Light of each sample of one byte, white = 65535.
pub(super) type LightOfSample = Box<[u16; 256]>;

/// Linear light of every pixel, 0 = black, 65535 = white; shape (height, width), row after row in memory.
#[derive(Debug, Clone)]
pub enum Plane {
    /// As it is.
    Linear(Array2<u16>),
    /// As samples of one byte, which say it by a table: half the memory, and no pass over the picture before somebody looks at it.
    Coded {
        /// The samples.
        samples: Array2<u8>,
        /// What each stands for.
        light: LightOfSample,
    },
}

/// Some of its pixels in order.
#[derive(Debug, Clone, Copy)]
pub enum Pixels<'a> {
    /// Light.
    Linear(&'a [u16]),
    /// Samples, and what each stands for.
    Coded(&'a [u8], &'a [u16; 256]),
}

impl Plane {
    /// Height and width in pixels.
    pub fn dim(&self) -> (usize, usize) {
        match self {
            Self::Linear(light) => light.dim(),
            Self::Coded { samples, .. } => samples.dim(),
        }
    }

    /// Light at (row, column).
    ///
    /// # Panics
    /// Outside the picture.
    pub fn at(&self, place: [usize; 2]) -> u16 {
        match self {
            Self::Linear(light) => light[place],
            Self::Coded { samples, light } => light[usize::from(samples[place])],
        }
    }

    /// All pixels from `first` on, counted row after row.
    ///
    /// # Panics
    /// Where there are not as many, or `Linear` holds what is not row after row.
    pub fn from(&self, first: usize) -> Pixels<'_> {
        let whole = "pixels stand row after row";
        match self {
            Self::Linear(light) => Pixels::Linear(&light.as_slice().expect(whole)[first..]),
            Self::Coded { samples, light } => Pixels::Coded(&samples.as_slice().expect(whole)[first..], light),
        }
    }

    /// One row.
    ///
    /// # Panics
    /// As [`Plane::from`].
    pub fn row(&self, row: usize) -> Pixels<'_> {
        let width = self.dim().1;
        self.from(row * width).first(width)
    }

    /// All light at once, copied where it is not there as such.
    pub fn to_light(&self) -> Cow<'_, Array2<u16>> {
        match self {
            Self::Linear(light) => Cow::Borrowed(light),
            Self::Coded { samples, light } => Cow::Owned(samples.mapv(|sample| light[usize::from(sample)])),
        }
    }

    /// Bytes of memory that it holds.
    pub fn held_bytes(&self) -> usize {
        match self {
            Self::Linear(light) => light.len() * size_of::<u16>(),
            Self::Coded { samples, light } => samples.len() + size_of_val(&**light),
        }
    }
}

impl<'a> Pixels<'a> {
    /// So many of them.
    #[must_use]
    pub fn first(self, count: usize) -> Self {
        match self {
            Self::Linear(light) => Self::Linear(&light[..count]),
            Self::Coded(samples, light) => Self::Coded(&samples[..count], light),
        }
    }

    /// Calls with the index and the light of every `step`th, `count` of them at most.
    ///
    /// A loop over an iterator would ask at each pixel which form it has; so it is asked once.
    #[inline]
    pub fn each(self, step: usize, count: usize, mut with: impl FnMut(usize, u16)) {
        match self {
            Self::Linear(pixels) => every(step, count, pixels, &mut with),
            Self::Coded(pixels, of) => every(step, count, pixels, |i, sample| with(i, of[usize::from(sample)])),
        }
    }
}

/// Calls with the index and the value of every `step`th.
#[inline]
fn every<T: Copy>(step: usize, count: usize, values: &[T], mut with: impl FnMut(usize, T)) {
    if step == 1 {
        values.iter().take(count).enumerate().for_each(|(i, value)| with(i, *value));
    } else {
        (0..count.min(values.len().div_ceil(step))).for_each(|i| with(i, values[i * step]));
    }
}

impl From<Array2<u16>> for Plane {
    fn from(light: Array2<u16>) -> Self {
        Self::Linear(light)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::locate::Course;
    use crate::locate::coarse::Coarse;
    use crate::locate::profile::gather;
    use crate::photo::Photo;

    /// One picture in both forms.
    fn both() -> [Plane; 2] {
        let light: LightOfSample = Box::new(std::array::from_fn(|sample| (sample * sample) as u16));
        let samples = Array2::from_shape_fn((61, 83), |(row, column)| ((row * 7 + column * 13) % 256) as u8);
        [Plane::Linear(samples.mapv(|sample| light[usize::from(sample)])), Plane::Coded { samples, light }]
    }

    #[test]
    fn both_forms_say_the_same_of_every_pixel() {
        let [linear, coded] = both();
        assert_eq!(linear.to_light(), coded.to_light());
        for plane in [&linear, &coded] {
            assert_eq!(plane.dim(), (61, 83));
            assert_eq!(plane.at([3, 5]), 86 * 86);
            let mut row = Vec::new();
            plane.row(2).each(30, 9, |index, light| row.push((index, light)));
            assert_eq!(row, [(0, 14 * 14), (1, 148 * 148), (2, 26 * 26)], "columns 0, 30 and 60 of row 2");
            let mut column = Vec::new();
            plane.from(82).each(83, 2, |_, light| column.push(light));
            assert_eq!(column, [42 * 42, 49 * 49], "the last column of two rows");
        }
        assert!(2 * coded.held_bytes() < linear.held_bytes() + 1100);
    }

    #[test]
    fn what_looks_at_a_picture_sees_the_same_in_both_forms() {
        let [linear, coded] = both().map(|plane| Photo { plane, ..Photo::from_light(Array2::zeros((0, 0))) });
        let [a, b] = [&linear, &coded].map(|photo| Coarse::new(photo, Some([3.0, 2.0, 60.0, 50.0])));
        assert_eq!(a.log_light, b.log_light);
        let course = Course {
            origin_px: [0.0, 30.0],
            direction: [0.8, 0.6],
            start_px: 0.0,
            end_px: 50.0,
            step_px: 50.0,
            offsets_px: vec![0.0; 2],
            is_dark: true,
        };
        let [a, b] = [&linear, &coded].map(|photo| gather(photo, &course, 25.0, 6.0, 9.0));
        assert!(!a.is_empty());
        assert_eq!((a.across_px, a.light), (b.across_px, b.light));
    }
}
