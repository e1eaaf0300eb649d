//! The socket's side: connections taken, bounded, timed, and finished when it is time to stop.

use std::collections::HashMap;
use std::future::Future;
use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Router;
use axum::extract::Request;
use hyper::body::Incoming;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::{Sleep, sleep, timeout};
use tower::ServiceExt;

use super::guard::Peer;

/// Connections at one time, and from one machine of the network.
const MOST_CONNECTIONS: usize = 256;
const MOST_FROM_ONE: usize = 64;
/// How long the other end may take no byte of an answer.
const WRITE_LIMIT: Duration = Duration::from_secs(20);
/// How long requests under way are waited for when stopping.
const LAST_WORDS: Duration = Duration::from_secs(15);

/// Sockets that listen; nothing is answered yet.
#[derive(Debug)]
pub struct Listeners {
    listeners: Vec<TcpListener>,
    /// The port they share.
    pub port: u16,
    /// This machine's addresses on the local network, where it listens there.
    pub lan: Vec<IpAddr>,
}

impl Listeners {
    /// Listens on loopback alone, or with `lan` on every address of this machine. Port 0 takes any free one.
    ///
    /// # Errors
    /// Where the port is taken or may not be used.
    pub async fn bind(port: u16, lan: bool) -> io::Result<Self> {
        let address: IpAddr = if lan { Ipv4Addr::UNSPECIFIED.into() } else { Ipv4Addr::LOCALHOST.into() };
        let first = TcpListener::bind((address, port)).await?;
        let port = first.local_addr()?.port();
        let mut listeners = vec![first];
        // Some machines have no IPv6 at all, and "localhost" means either.
        if let Ok(second) = TcpListener::bind((Ipv6Addr::LOCALHOST, port)).await {
            listeners.push(second);
        }
        let lan = if lan { addresses() } else { Vec::new() };
        Ok(Self { listeners, port, lan })
    }

    /// Answers until `stop` is done, and gives each request `head` to say what it wants; then no new connection is taken and requests under way are finished.
    pub async fn serve(self, router: Router, head: Duration, stop: impl Future<Output = ()>) {
        let (closing, closed) = watch::channel(false);
        let room = Arc::new(Semaphore::new(MOST_CONNECTIONS));
        let peers = Arc::new(PeerCount::default());
        let mut connections = JoinSet::new();
        let mut stop = std::pin::pin!(stop);
        loop {
            let accepted = tokio::select! {
                () = &mut stop => break,
                accepted = accept(&self.listeners, &room) => accepted,
            };
            while connections.try_join_next().is_some() {}
            let Some((stream, address, place)) = accepted else { continue };
            let Some(counted) = peers.enter(address.ip()) else { continue };
            let connection = serve_connection(stream, address, router.clone(), head, closed.clone());
            connections.spawn(async move {
                connection.await;
                drop((place, counted));
            });
        }
        drop(self.listeners);
        closing.send_replace(true);
        let all = async { while connections.join_next().await.is_some() {} };
        let _ = timeout(LAST_WORDS, all).await;
    }
}

/// This machine's IPv4 addresses that other machines of the local network can reach.
fn addresses() -> Vec<IpAddr> {
    let interfaces = if_addrs::get_if_addrs().unwrap_or_default();
    let mut found: Vec<IpAddr> = interfaces
        .iter()
        .filter(|interface| !interface.is_loopback())
        .map(if_addrs::Interface::ip)
        .filter(IpAddr::is_ipv4)
        .collect();
    found.sort();
    found.dedup();
    found
}

/// The next connection once there is room for it; `None` where it broke before it was taken.
async fn accept(
    listeners: &[TcpListener],
    room: &Arc<Semaphore>,
) -> Option<(TcpStream, SocketAddr, OwnedSemaphorePermit)> {
    let place = Arc::clone(room).acquire_owned().await.ok()?;
    let accepted = match listeners {
        [one] => one.accept().await,
        [one, two, ..] => tokio::select! {
            accepted = one.accept() => accepted,
            accepted = two.accept() => accepted,
        },
        [] => return None,
    };
    match accepted {
        Ok((stream, address)) => Some((stream, address, place)),
        Err(_) => {
            // Out of file handles, say: trying again at once would only spin.
            sleep(Duration::from_millis(100)).await;
            None
        }
    }
}

async fn serve_connection(
    stream: TcpStream,
    address: SocketAddr,
    router: Router,
    head: Duration,
    mut closed: watch::Receiver<bool>,
) {
    let _ = stream.set_nodelay(true);
    let service = hyper::service::service_fn(move |request: hyper::Request<Incoming>| {
        let mut request: Request = request.map(axum::body::Body::new);
        request.extensions_mut().insert(Peer(address));
        router.clone().oneshot(request)
    });
    let connection = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(head)
        .max_buf_size(64 << 10)
        .serve_connection(TokioIo::new(Patient::new(stream)), service);
    let mut connection = std::pin::pin!(connection);
    // What ends a connection early is the other end's doing; there is nobody to tell.
    tokio::select! {
        _ = &mut connection => return,
        _ = closed.wait_for(|closed| *closed) => connection.as_mut().graceful_shutdown(),
    }
    let _ = connection.await;
}

/// Connections by machine.
#[derive(Debug, Default)]
struct PeerCount {
    counts: Mutex<HashMap<IpAddr, usize>>,
}

struct Counted {
    peers: Arc<PeerCount>,
    address: IpAddr,
}

impl PeerCount {
    /// `None` where the machine has enough connections already. This machine itself has no such limit.
    fn enter(self: &Arc<Self>, address: IpAddr) -> Option<Counted> {
        let address = address.to_canonical();
        let mut counts = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        let count = counts.entry(address).or_insert(0);
        if *count >= MOST_FROM_ONE && !address.is_loopback() {
            return None;
        }
        *count += 1;
        Some(Counted { peers: Arc::clone(self), address })
    }
}

impl Drop for Counted {
    fn drop(&mut self) {
        let mut counts = self.peers.counts.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = counts.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                counts.remove(&self.address);
            }
        }
    }
}

/// A stream that fails where the other end takes nothing for [`WRITE_LIMIT`].
struct Patient {
    stream: TcpStream,
    waiting: Option<Pin<Box<Sleep>>>,
}

impl Patient {
    const fn new(stream: TcpStream) -> Self {
        Self { stream, waiting: None }
    }

    fn watched<T>(&mut self, context: &mut Context<'_>, polled: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if polled.is_ready() {
            self.waiting = None;
            return polled;
        }
        let waiting = self.waiting.get_or_insert_with(|| Box::pin(sleep(WRITE_LIMIT)));
        match waiting.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncRead for Patient {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl AsyncWrite for Patient {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.watched(context, polled)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let polled = Pin::new(&mut self.stream).poll_flush(context);
        self.watched(context, polled)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write_vectored(context, bytes);
        self.watched(context, polled)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }
}
