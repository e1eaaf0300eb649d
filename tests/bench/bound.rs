//! The stations' scatter on clean edges against the Cramér–Rao bound. Printed, not judged.
//!
//! For a step of height A blurred by a Gaussian σ (pixel integration included: σ² + p²/12), white noise s and N rows, the
//! standard deviation of one edge is at least (s/A)·√(2√π·σ·p/N); of the width between two such edges, √2 times that. The
//! bound takes the blur as known; the reading has to find it from the picture.

use narrows::photo::{DecodeOptions, decode_bytes};
use narrows::reading::{ReadOptions, read};
use narrows::setup::parse_toml;
use narrows::synth::Scene;
use narrows::synth::draw::Stratum;
use narrows::synth::material::{Material, Picture};
use narrows::synth::said::Said;
use narrows::synth::scene::{Background, Capture, Format};

/// Length along the line over which stations are averaged, px: longer than any station's own window, so that the means are
/// independent of each other whatever the stations share.
const BLOCK_PX: f64 = 120.0;

pub fn print() -> Result<(), Box<dyn std::error::Error>> {
    println!(
        "\nscatter of the kerf over {BLOCK_PX} px of clean line against the Cramér–Rao bound (blur known to the bound only; not judged)"
    );
    for (noise, blur_px) in [(0.01, 1.0), (0.03, 1.0), (0.01, 0.7)] {
        match scatter(noise, blur_px)? {
            Some([scatter, bound, bias]) => println!(
                "  noise {noise}, blur {blur_px} px: scatter {scatter:.4} px, bound {bound:.4} px, {:.2}×; mean {bias:+.4} px off",
                scatter / bound
            ),
            None => println!("  noise {noise}, blur {blur_px} px: too few stations"),
        }
    }
    Ok(())
}

fn scatter(noise: f64, blur_px: f64) -> Result<Option<[f64; 3]>, Box<dyn std::error::Error>> {
    let mut scene = Scene::draw(Stratum::all()[0], 16);
    scene.strip.material = Material::PaperBoard;
    let plain = Picture { width: 4, relative: vec![1.0; 16], mm_per_px: 1.0 };
    scene.strip.picture = Some(std::sync::Arc::new(plain));
    scene.strip.background = Background::Black;
    scene.strip.sides_mm = [-8.0, 8.0];
    scene.clutter.clear();
    scene.burn.overdrive = 60.0;
    scene.burn.kerf_wander = 0.0;
    scene.burn.edge_wander = 0.0;
    scene.burn.raggedness_mm = 0.0;
    scene.burn.brown_depth = 0.0;
    scene.burn.soot_depth = 0.0;
    scene.burn.edge_softness_mm = 0.004;
    scene.line.wobble_mm = 0.0;
    scene.line.periodic = None;
    scene.line.ends = Default::default();
    scene.capture = Capture::Scan { dpi: [600.0; 2], turn_deg: 0.6, margin_mm: 4.0 };
    scene.sensor.blur_px = blur_px;
    scene.sensor.read_noise = noise;
    scene.sensor.shot_noise = 0.0;
    scene.sensor.exposure = 1.0;
    scene.sensor.gradient = [0.0; 2];
    scene.sensor.sharpening = 0.0;
    scene.output.format = Format::Png;
    scene.output.is_deep = true;
    scene.output.is_grey = true;
    let rendered = scene.render()?;
    let said = Said::draw(&scene, &rendered.truth, 3);
    let folder = tempfile::tempdir()?;
    for (name, text) in &said.beside {
        std::fs::write(folder.path().join(name), text)?;
    }
    let setup = parse_toml(&said.toml, Some(folder.path()))?;
    let photo = decode_bytes(&rendered.bytes, &DecodeOptions::default())?;
    let reading = read(&photo, &setup, &ReadOptions::default())?;
    let px_per_mm = 600.0 / 25.4;
    let used: Vec<_> = reading.stations.iter().filter(|station| station.used).collect();
    let [origin, far] = rendered.truth.datum_px;
    let length_px = (far[0] - origin[0]).hypot(far[1] - origin[1]);
    let along = |station: &narrows::stations::Station| {
        let middle = [0, 1].map(|axis| 0.5 * (station.left_edge_px[axis] + station.right_edge_px[axis]));
        ((middle[0] - origin[0]) * (far[0] - origin[0]) + (middle[1] - origin[1]) * (far[1] - origin[1])) / length_px
    };
    let places: Vec<f64> = used.iter().map(|station| along(station)).collect();
    let truths = scene.kerfs_mm(&places.iter().map(|place| place / px_per_mm).collect::<Vec<_>>());
    let mut blocks: std::collections::BTreeMap<i64, Vec<f64>> = std::collections::BTreeMap::new();
    for ((station, place), truth) in used.iter().zip(&places).zip(truths) {
        // Kerfs of a few pixels are not two far-apart edges, to which the bound belongs.
        if truth * px_per_mm > 8.0 * (blur_px * blur_px + 1.0 / 12.0).sqrt() {
            blocks.entry((place / BLOCK_PX).floor() as i64).or_default().push(station.kerf_px - truth * px_per_mm);
        }
    }
    let most = blocks.values().map(Vec::len).max().unwrap_or(0);
    let means: Vec<f64> = blocks
        .values()
        .filter(|block| block.len() * 10 >= most * 9)
        .map(|block| block.iter().sum::<f64>() / block.len() as f64)
        .collect();
    if means.len() < 8 {
        return Ok(None);
    }
    // Neighbouring blocks' differences leave out whatever changes slowly, such as a bias that grows with the kerf.
    let differences: Vec<f64> = means.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let variance = differences.iter().map(|d| d * d).sum::<f64>() / differences.len() as f64 / 2.0;
    let step = f64::from(Material::PaperBoard.reflectance()) - 0.04;
    let sigma = (blur_px * blur_px + 1.0 / 12.0).sqrt();
    let edge = noise / step * (2.0 * std::f64::consts::PI.sqrt() * sigma / BLOCK_PX).sqrt();
    let bias = means.iter().sum::<f64>() / means.len() as f64;
    Ok(Some([variance.sqrt(), 2.0_f64.sqrt() * edge, bias]))
}
