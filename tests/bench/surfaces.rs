//! Photographed surfaces to render on, where a folder of them is given in `NARROWS_SURFACES`.

use std::sync::Arc;

use narrows::photo::{DecodeOptions, decode_file};
use narrows::synth::Scene;
use narrows::synth::material::Picture;
use narrows::synth::noise::Dice;

/// The surfaces; none unless the variable names a folder.
#[derive(Debug, Default)]
pub struct Surfaces(Vec<Arc<Picture>>);

impl Surfaces {
    pub fn from_environment() -> Result<Self, Box<dyn std::error::Error>> {
        let Some(folder) = std::env::var_os("NARROWS_SURFACES") else { return Ok(Self::default()) };
        let mut paths: Vec<_> =
            std::fs::read_dir(folder)?.map(|entry| entry.map(|e| e.path())).collect::<Result<_, _>>()?;
        paths.sort();
        let mut surfaces = vec![];
        for path in paths {
            let photo = decode_file(&path, &DecodeOptions::default())?;
            let mean = photo.light().iter().map(|&value| f64::from(value)).sum::<f64>() / photo.light().len() as f64;
            let relative =
                photo.light().iter().map(|&value| (f64::from(value) / mean).clamp(0.25, 2.0) as f32).collect();
            surfaces.push(Arc::new(Picture { width: photo.width(), relative, mm_per_px: 0.07 }));
        }
        Ok(Self(surfaces))
    }

    /// Puts one of them on every other strip.
    pub fn dress(&self, scene: &mut Scene, seed: u64) {
        let mut dice = Dice::new(seed, 71);
        if self.0.is_empty() || dice.chance(0.5) || scene.strip.material.marks_light() {
            return;
        }
        let mut picture = (*self.0[dice.below(self.0.len())]).clone();
        picture.mm_per_px = dice.between(0.05, 0.12);
        scene.strip.picture = Some(Arc::new(picture));
    }
}
