//! What a reading costs: wall time and peak resident memory of each stage, and the whole over decoding alone.
//!
//!     cargo bench --bench speed
//!     cargo bench --bench speed -- --quick
//!
//! Printed, not judged; see `README.md` beside this file.

use std::error::Error;
use std::fs::{self, File};
use std::io::{BufReader, BufWriter, Read as _};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

use image::{DynamicImage, ImageDecoder as _};
use narrows::choose::{self, Choice, choose};
use narrows::fit::waist;
use narrows::locate::coarse::Coarse;
use narrows::photo::{DecodeOptions, Photo, decode_bytes, decode_file};
use narrows::reading::{Given, ReadOptions, read, read_again, read_watched};
use narrows::report::json;
use narrows::setup::{Setup, parse_toml};
use narrows::stations::measure::{MeasureOptions, measure};
use narrows::synth::Scene;
use narrows::synth::draw::Stratum;
use narrows::synth::encode::encode;
use narrows::synth::said::Said;
use narrows::synth::scene::{Capture, Format, Output};

type Done<T = ()> = Result<T, Box<dyn Error>>;

/// Rounds of which the median is printed.
const ROUNDS: usize = 5;
const QUICK_ROUNDS: usize = 3;
/// Photos of the folder.
const FOLDER: usize = 50;
const QUICK_FOLDER: usize = 10;
/// Seed of the strips.
const SEED: u64 = 8;

fn main() -> Done {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [] => print(false),
        ["--quick"] => print(true),
        ["--one", picture, setup, rounds] => one(Path::new(picture), Path::new(setup), rounds.parse()?),
        _ => Err(format!("unknown: {}; see tests/bench/README.md", arguments.join(" ")).into()),
    }
}

fn print(is_quick: bool) -> Done {
    let rounds = if is_quick { QUICK_ROUNDS } else { ROUNDS };
    let folder = tempfile::tempdir()?;
    println!("threads: {}; medians of {rounds} rounds", rayon::current_num_threads());
    println!("\nwall time in ms and, of a first reading, peak resident memory in MB");
    let photo = Strip::new(phone(), "photo", folder.path())?;
    let photo_path = photo.write(Container::Jpeg)?;
    run_one(&photo_path, &photo.setup_path, rounds)?;
    let sizes: &[f64] = if is_quick { &[8.0] } else { &[35.0, 140.0] };
    for megapixels in sizes {
        let strip = Strip::new(scan(600.0 * (megapixels / 35.0).sqrt(), *megapixels), "scan", folder.path())?;
        for container in Container::ALL {
            let path = strip.write(container)?;
            run_one(&path, &strip.setup_path, rounds)?;
            fs::remove_file(path)?;
        }
    }
    growth(folder.path(), is_quick)?;
    through_the_program(&photo_path, &photo.setup_path, if is_quick { QUICK_FOLDER } else { FOLDER })
}

/// A 12 MP phone photo of a strip.
fn phone() -> Scene {
    let mut scene = Scene::draw(Stratum::all()[4], SEED + 4);
    if let Capture::Photo { size_px, focal_px, .. } = &mut scene.capture {
        let long = size_px[0].max(size_px[1]) as f64;
        // An upright one stays so; the field of view stays, too.
        *size_px = if size_px[0] >= size_px[1] { [4000, 3000] } else { [3000, 4000] };
        *focal_px *= 4000.0 / long;
    }
    scene.output = output(&scene);
    scene
}

/// A scan at a resolution with so much of the bed round the strip that it has the megapixels.
fn scan(dpi: f64, megapixels: f64) -> Scene {
    let mut scene = Scene::draw(Stratum::all()[0], SEED);
    let span = [scene.strip.ends_mm[1] - scene.strip.ends_mm[0], scene.strip.sides_mm[1] - scene.strip.sides_mm[0]];
    let area = megapixels * 1e6 * (25.4 / dpi).powi(2);
    // (a + 2m)·(b + 2m) = area
    let sum = 0.5 * (span[0] + span[1]);
    let margin = 0.5 * ((sum * sum - span[0] * span[1] + area).sqrt() - sum);
    scene.capture = Capture::Scan { dpi: [dpi; 2], turn_deg: 0.6, margin_mm: margin.max(3.0) };
    scene.output = Output { dpi_tag: Some(dpi), ..output(&scene) };
    scene
}

fn output(scene: &Scene) -> Output {
    Output { format: Format::Jpeg(92), is_deep: false, is_grey: false, orientation: 1, ..scene.output.clone() }
}

/// Containers in which a picture is read.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Container {
    Jpeg,
    Png,
    DeflatedTiff,
    PlainTiff,
    Bmp,
}

impl Container {
    const ALL: [Self; 5] = [Self::Jpeg, Self::Png, Self::DeflatedTiff, Self::PlainTiff, Self::Bmp];

    const fn file_name(self) -> &'static str {
        match self {
            Self::Jpeg => "jpeg.jpg",
            Self::Png => "png.png",
            Self::DeflatedTiff => "deflate.tif",
            Self::PlainTiff => "plain.tif",
            Self::Bmp => "plain.bmp",
        }
    }
}

/// A rendered strip and the folder for its files.
struct Strip {
    image: DynamicImage,
    output: Output,
    folder: PathBuf,
    setup_path: PathBuf,
    name: String,
}

impl Strip {
    fn new(scene: Scene, name: &str, folder: &Path) -> Done<Self> {
        let (image, truth) = scene.picture();
        let said = Said::draw(&scene, &truth, 3);
        for (name, text) in &said.beside {
            fs::write(folder.join(name), text)?;
        }
        let name = format!("{name}-{:.0}", f64::from(image.width()) * f64::from(image.height()) / 1e6);
        let setup_path = folder.join(format!("{name}.toml"));
        fs::write(&setup_path, &said.toml)?;
        Ok(Self { image, output: scene.output, folder: folder.to_owned(), setup_path, name })
    }

    fn write(&self, container: Container) -> Done<PathBuf> {
        let path = self.folder.join(format!("{}-{}", self.name, container.file_name()));
        let encoded = |format| encode(&self.image, &Output { format, ..self.output.clone() });
        match container {
            Container::Jpeg => fs::write(&path, encoded(Format::Jpeg(92))?)?,
            Container::Png => fs::write(&path, encoded(Format::Png)?)?,
            Container::DeflatedTiff => fs::write(&path, encoded(Format::Tiff)?)?,
            Container::PlainTiff => {
                use tiff::encoder::{TiffEncoder, colortype::RGB8};
                let mut file = TiffEncoder::new(BufWriter::new(File::create(&path)?))?;
                file.write_image::<RGB8>(self.image.width(), self.image.height(), self.image.as_bytes())?;
            }
            Container::Bmp => self.image.save(&path)?,
        }
        Ok(path)
    }
}

/// This bench again, for one picture in a process of its own.
fn run_one(picture: &Path, setup: &Path, rounds: usize) -> Done {
    let status =
        Command::new(std::env::current_exe()?).arg("--one").args([picture, setup]).arg(rounds.to_string()).status()?;
    if status.success() { Ok(()) } else { Err(format!("{} could not be measured", picture.display()).into()) }
}

/// Everything of one picture.
fn one(picture: &Path, setup: &Path, rounds: usize) -> Done {
    let text = fs::read_to_string(setup)?;
    let setup = parse_toml(&text, setup.parent())?;
    let options = ReadOptions::default();
    let before = peak_mb(false);

    // A first reading, stage by stage.
    let mut stages: Vec<(&str, Duration, Option<f64>)> = Vec::new();
    let mut begun = Instant::now();
    let mut over = |name| {
        stages.push((name, begun.elapsed(), peak_mb(true)));
        begun = Instant::now();
    };
    let photo = decode_file(picture, &DecodeOptions::default())?;
    over("decode");
    let reading = read_watched(&photo, &setup, &options, &mut |stage| over(stage.as_str()))?;
    let pixels = photo.width() * photo.height();
    let outcome = reading.outcome.as_ref().map_or_else(|refusal| refusal.code.as_str(), |_| "answered");
    let name = picture.file_name().unwrap_or_default().to_string_lossy();
    println!("\n{name}: {} × {}, {outcome}", photo.width(), photo.height());
    let peak = stages.iter().filter_map(|stage| stage.2).fold(0.0, f64::max);
    for (name, time, peak) in &stages {
        println!(
            "  {name:<12} {:>8.1} ms  {}",
            milliseconds(*time),
            peak.map_or("-".into(), |mb| format!("{mb:>7.0} MB"))
        );
    }
    println!(
        "  peak over the 8-bit picture ({:.0} MB): {:.2}; without the {:.0} MB of the empty program {:.2}",
        3e-6 * pixels as f64,
        peak / (3e-6 * pixels as f64),
        before.unwrap_or(0.0),
        (peak - before.unwrap_or(0.0)) / (3e-6 * pixels as f64),
    );
    if name.starts_with("photo") {
        page(&photo, &setup, rounds)?;
    }
    drop((photo, reading));

    let [mut bare, mut decode, mut whole] = [const { Vec::new() }; 3];
    for _ in 0..rounds {
        bare.push(timed(|| bare_decode(picture))?);
        decode.push(timed(|| Ok(decode_file(picture, &DecodeOptions::default())?.width()))?);
        whole.push(timed(|| {
            let photo = decode_file(picture, &DecodeOptions::default())?;
            let reading = read(&photo, &setup, &options)?;
            Ok(json::reading(&reading, &name).len())
        })?);
    }
    let [bare, decode, whole] = [bare, decode, whole].map(median);
    println!(
        "  decoder alone {bare:.0} ms, decode {decode:.0} ms, whole {whole:.0} ms: {:.2} × decode, decode + {:.0} ms; {:.2} × the decoder alone",
        whole / decode,
        whole - decode,
        whole / bare,
    );
    Ok(())
}

/// What the page asks for when a person drags something: the picture is decoded already.
fn page(photo: &Photo, setup: &Setup, rounds: usize) -> Done {
    let (reading, kept) = read_again(photo, setup, &ReadOptions::default(), None)?;
    let Some(course) = &reading.course else { return Ok(()) };
    let [mut line_ends, mut datums] = [const { Vec::new() }; 2];
    for round in 0..rounds {
        let inset = 2.0 + round as f64;
        let ends = [course.place(course.start_px + inset, 0.0), course.place(course.end_px - inset, 0.0)];
        for (given, times) in [
            (Given { line_px: Some(ends), ..Given::default() }, &mut line_ends),
            (Given { datums_px: Some(ends), ..Given::default() }, &mut datums),
        ] {
            let options = ReadOptions { given, ..ReadOptions::default() };
            times.push(timed(|| Ok(read_again(photo, setup, &options, Some(Arc::clone(&kept)))?.0.stations.len()))?);
        }
    }
    println!(
        "  read again, decoded already: line end dragged {:.0} ms, datum dragged {:.0} ms",
        median(line_ends),
        median(datums)
    );
    Ok(())
}

/// Pixels by the decoder's own crate, neither turned nor made light.
fn bare_decode(picture: &Path) -> Done<usize> {
    let ending = picture.extension().unwrap_or_default().to_string_lossy();
    let file = || -> Done<_> { Ok(BufReader::new(File::open(picture)?)) };
    Ok(match &*ending {
        "jpg" => {
            let mut bytes = Vec::new();
            file()?.read_to_end(&mut bytes)?;
            let input = zune_jpeg::zune_core::bytestream::ZCursor::new(&bytes[..]);
            let options = zune_jpeg::zune_core::options::DecoderOptions::default();
            zune_jpeg::JpegDecoder::new_with_options(input, options).decode()?.len()
        }
        "png" => {
            let mut reader = png::Decoder::new(file()?).read_info()?;
            let mut pixels = vec![0; reader.output_buffer_size().ok_or("too large")?];
            reader.next_frame(&mut pixels)?;
            pixels.len()
        }
        "tif" => {
            let mut decoder = tiff::decoder::Decoder::new(file()?)?.with_limits(tiff::decoder::Limits::unlimited());
            match decoder.read_image()? {
                tiff::decoder::DecodingResult::U8(pixels) => pixels.len(),
                _ => return Err("not 8 bits a sample".into()),
            }
        }
        _ => {
            let decoder = image::codecs::bmp::BmpDecoder::new(file()?)?;
            let mut pixels = vec![0; usize::try_from(decoder.total_bytes())?];
            decoder.read_image(&mut pixels)?;
            pixels.len()
        }
    })
}

/// How decoding and reading grow with the pixels, and measuring and fitting with the stations.
fn growth(folder: &Path, is_quick: bool) -> Done {
    println!("\ngrowth with pixels: the same strip, PNG, little round it");
    let resolutions: &[f64] = if is_quick { &[200.0, 400.0] } else { &[200.0, 300.0, 450.0, 600.0, 900.0] };
    let mut last = None;
    for dpi in resolutions {
        let strip = Strip::new(scan(*dpi, 0.0), &format!("dpi-{dpi:.0}"), folder)?;
        let bytes = encode(&strip.image, &Output { format: Format::Png, ..strip.output.clone() })?;
        let setup = parse_toml(&fs::read_to_string(&strip.setup_path)?, Some(folder))?;
        let photo = decode_bytes(&bytes, &DecodeOptions::default())?;
        let decode = median_of(|| Ok(decode_bytes(&bytes, &DecodeOptions::default())?.width()))?;
        let read = median_of(|| Ok(read(&photo, &setup, &ReadOptions::default())?.stations.len()))?;
        let megapixels = 1e-6 * (photo.width() * photo.height()) as f64;
        println!("  {megapixels:>6.1} Mpx: decode {decode:>7.1} ms, read {read:>7.1} ms");
        last = Some((photo, setup));
    }
    println!("\ngrowth with stations: the last of them");
    let Some((photo, setup)) = last else { return Ok(()) };
    let Choice::One(candidate) = choose(&photo, &Coarse::new(&photo, None), choose::Said::default()) else {
        return Err("the line was not found".into());
    };
    let course = &candidate.course;
    let whole = [course.start_px, course.end_px];
    let scale = setup.ramp.span_mm / (course.end_px - course.start_px);
    for most in [150, 300, 600, 1200, 2400] {
        let options = MeasureOptions { most, least_length_px: 1.0 };
        let measured = measure(&photo, course, &candidate.guide, whole, &options);
        let measuring = median_of(|| Ok(measure(&photo, course, &candidate.guide, whole, &options).stations.len()))?;
        let mut stations = measured.stations;
        for station in &mut stations {
            station.position_mm = Some((station.along_px - course.start_px) * scale);
            station.kerf_mm = Some(station.kerf_px * scale);
        }
        let fitting = median_of(|| Ok(waist::find(&mut stations.clone(), course.is_dark, 0.05).0.len()))?;
        println!("  {:>6} stations: measured {measuring:>7.1} ms, fitted {fitting:>7.1} ms", stations.len());
    }
    Ok(())
}

/// A folder of photos through the program itself.
fn through_the_program(photo: &Path, setup: &Path, count: usize) -> Done {
    let Some(program) = option_env!("CARGO_BIN_EXE_narrows") else { return Ok(()) };
    let folder = tempfile::tempdir()?;
    let mut pictures = Vec::new();
    for number in 0..count {
        let path = folder.path().join(format!("photo-{number:02}.jpg"));
        fs::copy(photo, &path)?;
        pictures.push(path);
    }
    println!("\n{count} photos of 12 Mpx in one call of the program");
    for threads in ["1", "2"] {
        let begun = Instant::now();
        let output = Command::new(program)
            .args(["read", "--json", "--setup"])
            .arg(setup)
            .args(&pictures)
            .env("RAYON_NUM_THREADS", threads)
            .output()?;
        let seconds = begun.elapsed().as_secs_f64();
        let answers = output.stdout.split(|byte| *byte == b'\n').filter(|line| line.starts_with(b"{")).count();
        println!(
            "  {threads} thread(s): {seconds:.1} s, {:.0} ms a photo, {answers} answers",
            1e3 * seconds / count as f64
        );
    }
    Ok(())
}

fn timed(work: impl FnOnce() -> Done<usize>) -> Done<Duration> {
    let begun = Instant::now();
    std::hint::black_box(work()?);
    Ok(begun.elapsed())
}

fn median_of(mut work: impl FnMut() -> Done<usize>) -> Done<f64> {
    let times = (0..QUICK_ROUNDS).map(|_| timed(&mut work)).collect::<Done<Vec<_>>>()?;
    Ok(median(times))
}

/// Middle of some times, in ms.
fn median(mut times: Vec<Duration>) -> f64 {
    times.sort();
    milliseconds(times[times.len() / 2])
}

fn milliseconds(time: Duration) -> f64 {
    1e3 * time.as_secs_f64()
}

/// Highest resident memory of this process so far (since the last reset) in MB; `None` where the system does not tell.
fn peak_mb(resets: bool) -> Option<f64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kilobytes: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    if resets {
        // Linux sets the high-water mark back to what is resident now (proc(5)); elsewhere the peak is that so far.
        let _ = fs::write("/proc/self/clear_refs", "5");
    }
    Some(1.024e-3 * kilobytes)
}
