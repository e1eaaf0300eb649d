//! A picture read, and everything the page draws of it.

use std::io::Cursor;
use std::ops::ControlFlow;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use image::{ExtendedColorType, ImageEncoder, ImageFormat};
use serde::{Deserialize, Serialize};
use tokio::time::timeout;

use super::App;
use super::failure::Failure;
use super::pictures::{PictureView, Shown};
use super::setups::{Fields, Problem, raw};
use crate::locate::Course;
use crate::photo::Photo;
use crate::reading::{Given, ReadOptions, Reading, read_again_watched};
use crate::report::chart::{Scale, scale};
use crate::report::rounding::{Units, length};
use crate::report::text::{Block, CAUTION_FOOTER, reading_blocks};
use crate::report::{chart, json, overlay, stations_csv, words};
use crate::setup::Setup;

/// Longest side of a view that is sent, in pixels.
const MOST_SIDE: usize = 4096;
/// Knots of the line's course that are sent: enough for a smooth curve on any screen.
const COURSE_KNOTS: usize = 200;

/// `GET /api/pictures`.
pub(super) async fn list(State(app): State<Arc<App>>) -> Json<Vec<PictureView>> {
    Json(app.pictures.list())
}

/// `GET /api/pictures/{id}`.
pub(super) async fn state(State(app): State<Arc<App>>, Path(id): Path<String>) -> Result<Json<PictureView>, Failure> {
    app.pictures.get(&id).map(|picture| Json(PictureView::from(&picture)))
}

/// `DELETE /api/pictures/{id}`: takes it away; what waits to be done with it is not begun, and a reading of it stops.
pub(super) async fn remove(State(app): State<Arc<App>>, Path(id): Path<String>) -> Result<StatusCode, Failure> {
    app.pictures.remove(&id).map(|()| StatusCode::NO_CONTENT)
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ReadRequest {
    fields: Fields,
    /// Two places of the upright picture between which the line runs.
    #[serde(default)]
    line_px: Option<[[f64; 2]; 2]>,
    /// Places of the low and the high end.
    #[serde(default)]
    datums_px: Option<[[f64; 2]; 2]>,
}

/// `POST /api/pictures/{id}/read`.
pub(super) async fn read_picture(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
    Json(request): Json<ReadRequest>,
) -> Result<Response, Failure> {
    let (photo, name) = app.pictures.photo(&id)?;
    let kept = app.pictures.get(&id)?.shown.map(|shown| Arc::clone(&shown.line));
    let raw = raw(&request.fields)?;
    let setup = raw.check().map_err(Problem::from)?;
    let by_hand = request.line_px.is_some() || request.datums_px.is_some();
    let given = Given { line_px: request.line_px, datums_px: request.datums_px };
    given_must_lie_inside(&given, &photo)?;
    let options = ReadOptions { given, ..ReadOptions::default() };
    let (here, asked) = (Arc::clone(&app), id.clone());
    let (shown, body) = in_turn_while(&app, "the reading", move |wanted| {
        let mut go_on = |_| match wanted.holds() && here.pictures.has(&asked) {
            true => ControlFlow::Continue(()),
            false => ControlFlow::Break(()),
        };
        let (reading, line) = read_again_watched(&photo, &setup, &options, kept, &mut go_on)?;
        let body = body(&reading, &setup, &name);
        Ok((Shown { reading, setup, line, setup_text: raw.to_toml(), by_hand }, body))
    })
    .await?;
    app.pictures.show(&id, Arc::new(shown));
    Ok(([(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))], body).into_response())
}

/// A person drags ends on the picture; what lies outside comes from a program.
fn given_must_lie_inside(given: &Given, photo: &Photo) -> Result<(), Failure> {
    let [width, height] = [photo.width() as f64, photo.height() as f64];
    let is_inside = |[x, y]: &[f64; 2]| (0.0..=width).contains(x) && (0.0..=height).contains(y);
    let pairs = [("line_px", given.line_px), ("datums_px", given.datums_px)];
    for (name, places) in pairs.into_iter().filter_map(|(name, places)| Some((name, places?))) {
        if !places.iter().all(is_inside) {
            return Err(Failure::request(
                "outside_picture",
                format!("a place of {name} lies outside the picture"),
                "move it onto the picture",
            ));
        }
        let [[x0, y0], [x1, y1]] = places;
        if (x1 - x0).hypot(y1 - y0) < 20.0 {
            return Err(Failure::request(
                "too_close",
                "the two places are closer together than 20 pixels",
                "move them to the two ends",
            ));
        }
    }
    Ok(())
}

/// Runs work beside the requests, a few at a time. A request that is given up before its turn is never begun; a fault
/// of ours takes only its own request down.
pub(super) async fn in_turn<T: Send + 'static>(
    app: &App,
    what: &str,
    work: impl FnOnce() -> Result<T, Failure> + Send + 'static,
) -> Result<T, Failure> {
    in_turn_while(app, what, |_| work()).await
}

/// As [`in_turn`], for work that asks now and then whether its request is still waited for.
async fn in_turn_while<T: Send + 'static>(
    app: &App,
    what: &str,
    work: impl FnOnce(&Wanted) -> Result<T, Failure> + Send + 'static,
) -> Result<T, Failure> {
    let turn = match timeout(app.limits.patience, Arc::clone(&app.readers).acquire_owned()).await {
        Ok(Ok(turn)) => turn,
        _ => return Err(Failure::busy()),
    };
    let wanted = Wanted::default();
    let waiting = Waiting(wanted.clone());
    let done = tokio::task::spawn_blocking(move || {
        let _turn = turn;
        work(&wanted)
    });
    let done = done.await.unwrap_or_else(|_| Err(Failure::own_fault(what)));
    drop(waiting);
    done
}

/// Whether somebody still waits for the answer.
#[derive(Debug, Clone, Default)]
struct Wanted(Arc<AtomicBool>);

impl Wanted {
    fn holds(&self) -> bool {
        !self.0.load(Ordering::Relaxed)
    }
}

/// Lives as long as the request: when the other end goes away, the work learns of it.
struct Waiting(Wanted);

impl Drop for Waiting {
    fn drop(&mut self) {
        self.0.0.store(true, Ordering::Relaxed);
    }
}

/// The command line's JSON as it is, and beside it what the page draws.
fn body(reading: &Reading, setup: &Setup, name: &str) -> String {
    let page = serde_json::to_string(&Page::new(reading, setup, name)).unwrap_or_else(|_| "null".to_owned());
    format!("{{\"reading\":{},\"page\":{page}}}", json::reading(reading, name))
}

#[derive(Serialize)]
struct Page<'a> {
    /// The command line's text, block by block.
    told: Vec<Block>,
    footer: &'static str,
    scale: Scale,
    course: Option<CourseView>,
    outline_px: Option<[[f64; 2]; 4]>,
    tie: Option<TieView>,
    stations: Vec<StationView>,
    fits: Vec<FitView<'a>>,
    finest: Option<FinestView>,
}

#[derive(Serialize)]
struct CourseView {
    is_dark: bool,
    /// From one visible end to the other.
    places_px: Vec<[f64; 2]>,
}

#[derive(Serialize)]
struct TieView {
    placed_by: String,
    low_px: [f64; 2],
    high_px: [f64; 2],
    marks: Vec<MarkView>,
}

#[derive(Serialize)]
struct MarkView {
    index: usize,
    place_px: [f64; 2],
    halves_px: [Option<[[f64; 2]; 2]>; 2],
}

#[derive(Serialize)]
struct StationView {
    position_mm: Option<f64>,
    along_px: f64,
    kerf_mm: Option<f64>,
    kerf_px: f64,
    /// Give or take, in the unit of the width drawn.
    kerf_expanded: f64,
    used: bool,
    left_out: Option<&'static str>,
    left_px: [f64; 2],
    right_px: [f64; 2],
    told: String,
}

#[derive(Serialize)]
struct FitView<'a> {
    model: &'static str,
    told: &'static str,
    used: bool,
    weight: f64,
    curve: &'a [[f64; 2]],
    place: String,
}

#[derive(Serialize)]
struct FinestView {
    place_px: [f64; 2],
    along_px: f64,
    position_mm: f64,
    expanded_mm: f64,
    /// Where the height slack begins and ends along the strip.
    slack_mm: Option<[f64; 2]>,
    slack_fraction: Option<f64>,
}

impl<'a> Page<'a> {
    fn new(reading: &'a Reading, setup: &Setup, name: &str) -> Self {
        let units = Units::Millimetres;
        let focus = reading.outcome.as_ref().ok();
        Self {
            told: reading_blocks(units, reading, setup, name),
            footer: CAUTION_FOOTER,
            scale: scale(reading, setup),
            course: reading.course.as_ref().map(CourseView::new),
            outline_px: reading.outline_px,
            tie: reading.tie.as_ref().map(|tie| TieView {
                placed_by: words::placed_by(tie),
                low_px: tie.low_px,
                high_px: tie.high_px,
                marks: tie
                    .marks
                    .iter()
                    .map(|mark| MarkView { index: mark.index, place_px: mark.place_px, halves_px: mark.halves_px })
                    .collect(),
            }),
            stations: reading.stations.iter().map(|station| station_view(station, units)).collect(),
            fits: reading
                .fits
                .iter()
                .map(|fit| FitView {
                    model: fit.model.as_str(),
                    told: words::model(fit.model),
                    used: fit.used,
                    weight: fit.weight,
                    curve: &fit.curve,
                    place: length(&fit.position_mm, units),
                })
                .collect(),
            finest: reading.waist.as_ref().zip(focus).map(|(waist, focus)| FinestView {
                place_px: waist.place_px,
                along_px: waist.along_px,
                position_mm: focus.position_mm.value,
                expanded_mm: focus.position_mm.expanded(),
                slack_mm: waist.slack_positions_mm,
                slack_fraction: focus.depth_of_focus_mm.map(|slack| slack.fraction),
            }),
        }
    }
}

impl CourseView {
    fn new(course: &Course) -> Self {
        let step = (course.end_px - course.start_px) / COURSE_KNOTS as f64;
        let places_px = (0..=COURSE_KNOTS).map(|i| course.place(course.start_px + i as f64 * step, 0.0)).collect();
        Self { is_dark: course.is_dark, places_px }
    }
}

/// One measured place, with the sentence that is shown where it is pointed at.
fn station_view(station: &crate::stations::Station, units: Units) -> StationView {
    use crate::estimate::Estimate;
    let scale = station.kerf_mm.map(|kerf| kerf / station.kerf_px);
    let in_px = Estimate::new(station.kerf_px, station.standard_uncertainty_px);
    let in_mm = scale.map(|scale| Estimate::new(in_px.value * scale, in_px.standard_uncertainty * scale));
    let place = station.position_mm.map(|mm| format!("{mm:.1} mm up the strip: "));
    let width = match in_mm {
        Some(width) => format!("line {} wide", length(&width, units)),
        None => format!("line {:.1} pixels wide", in_px.value),
    };
    let left_out = station.left_out.map(words::reason);
    let role = match (station.used, left_out) {
        (true, _) => "used".to_owned(),
        (false, Some(reason)) => format!("left out: {reason}"),
        (false, None) => "left out".to_owned(),
    };
    StationView {
        position_mm: station.position_mm,
        along_px: station.along_px,
        kerf_mm: station.kerf_mm,
        kerf_px: station.kerf_px,
        kerf_expanded: in_mm.unwrap_or(in_px).expanded(),
        used: station.used,
        left_out,
        left_px: station.left_edge_px,
        right_px: station.right_edge_px,
        told: format!("{}{width}; {role}", place.unwrap_or_default()),
    }
}

/// A piece of the picture: x, y, width and height in its pixels, and the longest side to send.
#[derive(Debug, Deserialize)]
pub(super) struct ViewRequest {
    #[serde(default)]
    x: usize,
    #[serde(default)]
    y: usize,
    w: Option<usize>,
    h: Option<usize>,
    #[serde(default = "most_side")]
    side: usize,
}

const fn most_side() -> usize {
    2400
}

/// `GET /api/pictures/{id}/view`: the picture as it is measured, upright and grey, whole or a piece of it.
pub(super) async fn view(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
    Query(piece): Query<ViewRequest>,
) -> Result<Response, Failure> {
    let (photo, _) = app.pictures.photo(&id)?;
    let (png, bytes) = in_turn(&app, "the view", move || drawn(&photo, &piece)).await?;
    let kind = if png { "image/png" } else { "image/jpeg" };
    Ok(([(header::CONTENT_TYPE, HeaderValue::from_static(kind))], bytes).into_response())
}

/// Pixels as they are go out as PNG, reduced ones as JPEG.
fn drawn(photo: &Photo, piece: &ViewRequest) -> Result<(bool, Vec<u8>), Failure> {
    let [width, height] = [photo.width(), photo.height()];
    let outside =
        || Failure::request("outside_picture", "the piece lies outside the picture", "ask for a piece inside");
    let [x, y] = [piece.x, piece.y];
    if x >= width || y >= height {
        return Err(outside());
    }
    let w = piece.w.unwrap_or(width).clamp(1, width - x);
    let h = piece.h.unwrap_or(height).clamp(1, height - y);
    let factor = w.max(h).div_ceil(piece.side.clamp(1, MOST_SIDE));
    let [columns, rows] = [w.div_ceil(factor), h.div_ceil(factor)];
    let tones = tones();
    let mut grey = Vec::with_capacity(columns * rows);
    for row in 0..rows {
        let ys = y + row * factor..(y + (row + 1) * factor).min(y + h);
        let mut sums = vec![0u64; columns];
        for line in ys.clone() {
            let row = photo.plane.from(line * width + x);
            row.each(1, w, |column, light| sums[column / factor] += u64::from(light));
        }
        grey.extend(sums.iter().enumerate().map(|(column, sum)| {
            let across = factor.min(w - column * factor);
            tones[(sum / (across * ys.len()) as u64) as usize]
        }));
    }
    let fault = |_| Failure::own_fault("the view");
    let size = [columns, rows].map(|side| side as u32);
    let mut bytes = Vec::new();
    if factor == 1 {
        image::codecs::png::PngEncoder::new(&mut bytes)
            .write_image(&grey, size[0], size[1], ExtendedColorType::L8)
            .map_err(fault)?;
    } else {
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 88)
            .write_image(&grey, size[0], size[1], ExtendedColorType::L8)
            .map_err(fault)?;
    }
    Ok((factor == 1, bytes))
}

/// From linear light to what a screen is sent: the sRGB curve of IEC 61966-2-1.
fn tones() -> &'static [u8] {
    static TONES: std::sync::OnceLock<Vec<u8>> = std::sync::OnceLock::new();
    TONES.get_or_init(|| {
        let tone = |light: u16| {
            let light = f64::from(light) / 65535.0;
            let coded = if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 };
            (coded * 255.0).round() as u8
        };
        (0..=u16::MAX).map(tone).collect()
    })
}

/// `GET /api/pictures/{id}/overlay.png`, `chart.svg`, `stations.csv`: as the command line writes them, of the last reading.
pub(super) async fn result(
    State(app): State<Arc<App>>,
    Path((id, file)): Path<(String, String)>,
) -> Result<Response, Failure> {
    let picture = app.pictures.get(&id)?;
    let nothing = || {
        Failure::new(StatusCode::NOT_FOUND, "nothing_there", "there is nothing of this name", "read the picture first")
    };
    let shown = picture.shown.ok_or_else(nothing)?;
    let (kind, bytes) = match file.as_str() {
        "overlay.png" => {
            let (photo, _) = app.pictures.photo(&id)?;
            let made = in_turn(&app, "the overlay", move || {
                let mut file = Cursor::new(Vec::new());
                overlay::draw(&photo, &shown.reading)
                    .write_to(&mut file, ImageFormat::Png)
                    .map_err(|_| Failure::own_fault("the overlay"))?;
                Ok(file.into_inner())
            });
            ("image/png", made.await?)
        }
        "chart.svg" => {
            let made = in_turn(&app, "the chart", move || {
                chart::draw_svg(&shown.reading, &shown.setup).ok_or_else(nothing).map(String::into_bytes)
            });
            ("image/svg+xml", made.await?)
        }
        "stations.csv" => {
            let mut table = Vec::new();
            stations_csv::write(&shown.reading, &mut table).map_err(|_| Failure::own_fault("the table"))?;
            ("text/csv; charset=utf-8", table)
        }
        _ => return Err(nothing()),
    };
    let stem: String = picture.name.rsplit_once('.').map_or(picture.name.as_str(), |(stem, _)| stem).into();
    let stem: String = stem.chars().map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' }).collect();
    let disposition = format!("attachment; filename=\"{stem}-{file}\"");
    let disposition = HeaderValue::from_str(&disposition).map_err(|_| Failure::own_fault("the file's name"))?;
    Ok(([(header::CONTENT_TYPE, HeaderValue::from_static(kind)), (header::CONTENT_DISPOSITION, disposition)], bytes)
        .into_response())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::web::{Limits, Site};
    use ndarray::Array2;
    use std::time::{Duration, Instant};

    #[tokio::test]
    async fn work_learns_that_nobody_waits_for_it() {
        let app = App::new(Site::new(8470, vec![]), false, Limits::default(), None);
        let (begun, has_begun) = tokio::sync::oneshot::channel();
        let (ended, has_ended) = tokio::sync::oneshot::channel();
        let request = tokio::spawn(async move {
            let work = move |wanted: &Wanted| {
                let _ = begun.send(wanted.holds());
                let patience = Instant::now() + Duration::from_secs(20);
                while wanted.holds() && Instant::now() < patience {
                    std::thread::sleep(Duration::from_millis(2));
                }
                let _ = ended.send(wanted.holds());
                Ok(())
            };
            in_turn_while(&app, "the work", work).await
        });
        assert!(has_begun.await.unwrap());
        request.abort();
        assert!(!has_ended.await.unwrap());
    }

    #[test]
    fn views_are_cut_and_reduced_where_they_should() {
        let spot = |(row, column)| if (row, column) == (5, 8) { 65535 } else { 0 };
        let photo = Photo::from_light(Array2::from_shape_fn((7, 10), spot));
        let ask = |x, y, w, side| ViewRequest { x, y, w: Some(w), h: Some(w), side };
        let (png, bytes) = drawn(&photo, &ask(7, 4, 3, 100)).unwrap();
        let view = image::load_from_memory(&bytes).unwrap().to_luma8();
        assert!(png && view.dimensions() == (3, 3) && view.get_pixel(1, 1).0 == [255] && view.get_pixel(0, 0).0 == [0]);
        let (png, bytes) = drawn(&photo, &ask(0, 0, 50, 5)).unwrap();
        assert!(!png);
        assert_eq!(image::load_from_memory(&bytes).unwrap().to_luma8().dimensions(), (5, 4));
        assert!(drawn(&photo, &ask(10, 0, 1, 5)).is_err());
    }

    #[test]
    fn tones_at_the_published_points() {
        // IEC 61966-2-1:1999, clause 5.2 (from memory): 0.0031308 in light is 0.04045 coded; half-way coded is 0.214 041, 14 027.2 of 65 535.
        let tones = tones();
        assert_eq!((tones[0], tones[65535], tones[14_028]), (0, 255, 128));
        assert_eq!(tones[(0.003_130_8 * 65535.0) as usize], 10);
    }
}
