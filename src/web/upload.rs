//! A picture on its way in: room is taken for all of it first, a sender that dawdles is cut off, and decoding waits its turn.

use std::sync::Arc;
use std::time::Instant;

use axum::Json;
use axum::body::Body;
use axum::extract::{Extension, Query, Request, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use http_body_util::BodyExt;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::timeout;

use super::failure::{Failure, Told};
use super::guard::{Peer, is_at_the_machine};
use super::pictures::PictureState;
use super::{App, Limits};
use crate::photo::{DecodeOptions, decode_bytes};

#[derive(Debug, Deserialize)]
pub(super) struct Named {
    #[serde(default)]
    name: String,
}

#[derive(Debug, Serialize)]
pub(super) struct Added {
    pub(super) id: String,
}

/// `POST /api/pictures?name=…`: the file itself is the body. Answers as soon as it has arrived; decoding goes on.
pub(super) async fn upload(
    State(app): State<Arc<App>>,
    Query(named): Query<Named>,
    peer: Option<Extension<Peer>>,
    request: Request,
) -> Result<Response, Failure> {
    let length = length(&request, &app.limits)?;
    let room = room(&app.room, length, &app.limits).await?;
    let bytes = receive(request.into_body(), length, &app.limits).await?;
    let from_elsewhere = !is_at_the_machine(peer.map(|Extension(peer)| peer));
    let id = app.pictures.add(&named.name, from_elsewhere);
    tokio::spawn(decode(Arc::clone(&app), id.clone(), bytes, room));
    Ok((StatusCode::ACCEPTED, Json(Added { id })).into_response())
}

/// The length the sender announces. Without one no room can be taken, and browsers always send it.
fn length(request: &Request, limits: &Limits) -> Result<usize, Failure> {
    let announced = request.headers().get(header::CONTENT_LENGTH).and_then(|length| length.to_str().ok()?.parse().ok());
    let Some(length) = announced else {
        return Err(Failure::new(
            StatusCode::LENGTH_REQUIRED,
            "no_length",
            "the request does not say how large the picture is",
            "send the picture with a Content-Length",
        ));
    };
    if length > limits.upload_bytes {
        return Err(Failure::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            "too_large",
            format!("the file has {} MB, and at most {} MB are taken", length >> 20, limits.upload_bytes >> 20),
            "crop the picture to the strip, or save it as PNG or JPEG",
        ));
    }
    Ok(length)
}

async fn room(room: &Arc<Semaphore>, length: usize, limits: &Limits) -> Result<OwnedSemaphorePermit, Failure> {
    let kib = u32::try_from(length.div_ceil(1 << 10).max(1)).map_err(|_| Failure::busy())?;
    match timeout(limits.patience, Arc::clone(room).acquire_many_owned(kib)).await {
        Ok(Ok(permit)) => Ok(permit),
        _ => Err(Failure::busy()),
    }
}

async fn receive(mut body: Body, length: usize, limits: &Limits) -> Result<Vec<u8>, Failure> {
    let cut_off = |what: &str| {
        Failure::new(StatusCode::REQUEST_TIMEOUT, "cut_off", what, "check the connection and send the picture again")
    };
    let begun = Instant::now();
    let mut bytes = Vec::with_capacity(length);
    loop {
        let frame = match timeout(limits.silence, body.frame()).await {
            Err(_) => return Err(cut_off("the picture stopped arriving")),
            Ok(Some(Err(_))) => return Err(cut_off("the connection broke before the whole picture had arrived")),
            Ok(None) => break,
            Ok(Some(Ok(frame))) => frame,
        };
        if let Ok(data) = frame.into_data() {
            if bytes.len() + data.len() > length {
                return Err(Failure::request(
                    "wrong_length",
                    "the file is longer than announced",
                    "send the picture again",
                ));
            }
            bytes.extend_from_slice(&data);
        }
        let late = begun.elapsed().saturating_sub(limits.silence);
        if (bytes.len() as f64) < limits.least_rate as f64 * late.as_secs_f64() {
            return Err(cut_off("the picture arrived too slowly"));
        }
    }
    if bytes.len() < length {
        return Err(cut_off("the connection broke before the whole picture had arrived"));
    }
    Ok(bytes)
}

/// Decodes when it is its turn, unless the picture was taken away before. The room is given back when the file is no
/// longer needed.
async fn decode(app: Arc<App>, id: String, bytes: Vec<u8>, room: OwnedSemaphorePermit) {
    let Ok(turn) = Arc::clone(&app.decoders).acquire_owned().await else { return };
    if !app.pictures.set(&id, PictureState::Decoding) {
        return;
    }
    let options = DecodeOptions { max_megapixels: app.limits.max_megapixels };
    let (here, asked) = (Arc::clone(&app), id.clone());
    let decoded = tokio::task::spawn_blocking(move || {
        let sha256: String = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        // Decoding itself goes on to its end once it is begun.
        let decoded = here.pictures.has(&asked).then(|| decode_bytes(&bytes, &options));
        drop((bytes, room, turn));
        decoded.map(|decoded| decoded.map(|photo| (photo, sha256)))
    })
    .await;
    let state = match decoded {
        Ok(None) => return,
        Ok(Some(Ok((photo, sha256)))) => {
            app.pictures.set_sha256(&id, sha256);
            PictureState::Ready(Arc::new(photo))
        }
        Ok(Some(Err(error))) => PictureState::Failed(Told::from(&error)),
        Err(_) => PictureState::Failed(Failure::own_fault("the picture").told().clone()),
    };
    app.pictures.set(&id, state);
}

/// Puts a picture that comes with the program among the others.
pub(super) fn add_own(app: &Arc<App>, name: &str, bytes: &'static [u8]) -> String {
    let id = app.pictures.add(name, false);
    let decoding = (Arc::clone(app), id.clone());
    tokio::spawn(async move {
        let (app, id) = decoding;
        if let Ok(room) = Arc::clone(&app.room).acquire_many_owned((bytes.len() >> 10) as u32).await {
            decode(Arc::clone(&app), id, bytes.to_vec(), room).await;
        }
    });
    id
}
