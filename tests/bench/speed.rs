//! Wall time and memory of a reading against one decode of the same file. Printed, not judged.

use std::time::{Duration, Instant};

use narrows::photo::{DecodeOptions, decode_bytes};
use narrows::reading::{ReadOptions, read};
use narrows::setup::parse_toml;
use narrows::synth::Scene;
use narrows::synth::draw::Stratum;
use narrows::synth::said::Said;
use narrows::synth::scene::{Capture, Format};

/// Repeats of each timing; the shortest counts.
const REPEATS: usize = 3;

pub fn print() -> Result<(), Box<dyn std::error::Error>> {
    println!(
        "\nwall time of a reading over one decode of its file, and peak memory over the decoded 8-bit picture (not judged)"
    );
    let mut scene = Scene::draw(Stratum::all()[0], 8);
    if let Capture::Scan { dpi, .. } = &mut scene.capture {
        *dpi = [600.0; 2];
    }
    scene.output.is_deep = false;
    scene.output.is_grey = false;
    scene.output.dpi_tag = Some(600.0);
    for format in [Format::Png, Format::Jpeg(92), Format::Tiff] {
        scene.output.format = format;
        let rendered = scene.render()?;
        let said = Said::draw(&scene, &rendered.truth, 3);
        let folder = tempfile::tempdir()?;
        for (name, text) in &said.beside {
            std::fs::write(folder.path().join(name), text)?;
        }
        let setup_path = folder.path().join("setup.toml");
        std::fs::write(&setup_path, &said.toml)?;
        let decoding = shortest(|| {
            let photo = decode_bytes(&rendered.bytes, &DecodeOptions::default())?;
            Ok(photo.width())
        })?;
        let reading = shortest(|| {
            let setup = parse_toml(&said.toml, Some(folder.path()))?;
            let photo = decode_bytes(&rendered.bytes, &DecodeOptions::default())?;
            Ok(read(&photo, &setup, &ReadOptions::default())?.stations.len())
        })?;
        let picture_path = folder.path().join(format!("strip.{}", rendered.extension));
        std::fs::write(&picture_path, &rendered.bytes)?;
        let [width, height] = rendered.truth.size_px;
        let memory = peak_kilobytes(&picture_path, &setup_path).map_or_else(
            || "peak memory unknown".to_owned(),
            |peak| format!("peak memory {:.1}×", peak as f64 * 1024.0 / (3 * width * height) as f64),
        );
        println!(
            "  {:<10} {:.1} Mpx: decode {:.0?}, read {:.0?}, {:.1}×; {memory}",
            format!("{format:?}"),
            (width * height) as f64 / 1e6,
            decoding,
            reading,
            reading.as_secs_f64() / decoding.as_secs_f64()
        );
    }
    Ok(())
}

fn shortest(
    mut work: impl FnMut() -> Result<usize, Box<dyn std::error::Error>>,
) -> Result<Duration, Box<dyn std::error::Error>> {
    let mut best = Duration::MAX;
    for _ in 0..REPEATS {
        let begun = Instant::now();
        std::hint::black_box(work()?);
        best = best.min(begun.elapsed());
    }
    Ok(best)
}

/// Highest resident memory of the program while it reads a picture; `None` where the program was not built, did not read, or
/// the system does not tell.
fn peak_kilobytes(picture: &std::path::Path, setup: &std::path::Path) -> Option<usize> {
    let program = option_env!("CARGO_BIN_EXE_narrows")?;
    let output = setup.with_extension("json");
    let mut child = std::process::Command::new(program)
        .arg("read")
        .arg(picture)
        .arg("--setup")
        .arg(setup)
        .arg("--json")
        .stdout(std::fs::File::create(&output).ok()?)
        .stderr(std::process::Stdio::null())
        .spawn()
        .ok()?;
    let status = format!("/proc/{}/status", child.id());
    let mut peak = None;
    loop {
        // The high-water mark only grows, so the last one seen before the end is the peak or just below it.
        if let Ok(text) = std::fs::read_to_string(&status)
            && let Some(line) = text.lines().find(|line| line.starts_with("VmHWM:"))
        {
            peak = line.split_whitespace().nth(1).and_then(|number| number.parse::<usize>().ok()).max(peak);
        }
        match child.try_wait() {
            Ok(None) => std::thread::sleep(Duration::from_millis(2)),
            Ok(Some(_)) => break,
            Err(_) => return None,
        }
    }
    // A program that wrote no object did not read.
    if std::fs::read_to_string(&output).ok()?.starts_with('{') { peak } else { None }
}
