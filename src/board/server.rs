//! The server: bounded in connections, in bytes and in patience.

use super::ask::{Answer, Ask, Asked, NotAsked, Recent};
use super::frame::{About, Frame, Snapshot};
use super::guard::{self, ACT, EVENTS, HEADERS, LIST};
use super::guests::{Guest, Guests};
use super::place::Place;
use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Extension, Router};
use futures::stream::{self, Stream};
use hyper::server::conn::http1;
use hyper::service::Service;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::convert::Infallible;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, oneshot, watch};
use tokio_io_timeout::TimeoutStream;

/// Bytes of a request's head, and how many headers.
const LARGEST_HEAD: usize = 16 << 10;
const MOST_HEADERS: usize = 48;
/// Bytes of an act.
const LARGEST_ACT: usize = 1 << 10;
/// How long a request's head may take to arrive, from when the connection is taken.
const HEAD: Duration = Duration::from_secs(3);
/// How long an act may take to arrive, and its answer to come.
const PATIENCE: Duration = Duration::from_secs(5);
/// A client that takes nothing for so long is dropped.
const SLOWEST: Duration = Duration::from_secs(5);
/// A page hears at least this often that the daemon lives. It says "connection lost" after three of these.
const BEAT: Duration = Duration::from_millis(450);
/// How long open connections may take to hear of the end.
const FAREWELL: Duration = Duration::from_millis(500);

/// What requests are served from.
#[derive(Clone)]
pub(super) struct Desk {
    pub place: Arc<Place>,
    /// Which start of the program this is.
    pub run: Arc<str>,
    pub frames: watch::Receiver<Arc<Frame>>,
    pub asked: mpsc::Sender<Asked>,
    pub recent: Arc<Mutex<Recent>>,
    pub watching: Arc<AtomicUsize>,
}

/// Serves until `stop` is done.
pub(super) async fn serve(listener: TcpListener, desk: Desk, stop: oneshot::Receiver<()>) {
    let app = TowerToHyperService::new(router(desk));
    let guests = Arc::new(Guests::default());
    let mut http = http1::Builder::new();
    http.timer(TokioTimer::new()).header_read_timeout(HEAD).max_buf_size(LARGEST_HEAD).max_headers(MOST_HEADERS);
    // It would need a wall clock between 1970 and the year 9999.
    http.auto_date_header(false);
    // One request each: a connection that lies idle would hold a place for nothing.
    http.keep_alive(false);
    let (served, mut all_served) = mpsc::channel::<Infallible>(1);
    let accept = async {
        loop {
            let Ok((stream, from)) = listener.accept().await else {
                // Out of file handles, most likely: others must close first.
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            };
            let (guest, must_go) = guests.enter(from.ip().to_canonical());
            let connection = connection(&http, stream, app.clone(), guest);
            let served = served.clone();
            tokio::spawn(async move {
                tokio::select! {
                    // Whatever went wrong with a client is that client's affair.
                    _ = connection => {}
                    _ = must_go => {}
                }
                drop(served);
            });
            // However many more wait, what this one has sent is read before one of them can take its place.
            tokio::task::yield_now().await;
        }
    };
    tokio::select! {
        () = accept => {}
        _ = stop => {}
    }
    drop(served);
    // The last frame still has to go out.
    let _ = tokio::time::timeout(FAREWELL, all_served.recv()).await;
}

fn connection(
    http: &http1::Builder,
    stream: TcpStream,
    app: TowerToHyperService<Router>,
    guest: Guest,
) -> impl Future<Output = hyper::Result<()>> + use<> {
    let _ = stream.set_nodelay(true);
    let mut stream = Box::pin(TimeoutStream::new(stream));
    stream.as_mut().set_write_timeout_pinned(Some(SLOWEST));
    let guest = Arc::new(guest);
    let service = hyper::service::service_fn(move |mut request: hyper::Request<hyper::body::Incoming>| {
        request.extensions_mut().insert(guest.clone());
        app.call(request)
    });
    http.serve_connection(TokioIo::new(stream), service)
}

/// Makes each snapshot into what pages are sent.
pub(super) async fn press(
    about: About,
    mut snapshots: watch::Receiver<Option<Arc<Snapshot>>>,
    frames: watch::Sender<Arc<Frame>>,
) {
    while snapshots.changed().await.is_ok() {
        let snapshot = snapshots.borrow_and_update().clone();
        if let Some(snapshot) = snapshot {
            let next = frames.borrow().next(&snapshot, &about);
            frames.send_replace(Arc::new(next));
        }
    }
}

fn router(desk: Desk) -> Router {
    let page =
        |kind: &'static str, text: &'static str| get(move || async move { ([(header::CONTENT_TYPE, kind)], text) });
    let (html, css, js) = ("text/html; charset=utf-8", "text/css; charset=utf-8", "text/javascript; charset=utf-8");
    Router::new()
        .route("/", page(html, include_str!("page/wall.html")))
        .route("/scribe", page(html, include_str!("page/scribe.html")))
        .route("/board.css", page(css, include_str!("page/board.css")))
        .route("/link.js", page(js, include_str!("page/link.js")))
        .route("/draw.js", page(js, include_str!("page/draw.js")))
        .route("/wall.js", page(js, include_str!("page/wall.js")))
        .route("/scribe.js", page(js, include_str!("page/scribe.js")))
        .route("/icon.svg", page("image/svg+xml", include_str!("page/icon.svg")))
        .route(EVENTS, get(|State(desk): State<Desk>| async { events(desk, false) }))
        .route(LIST, get(|State(desk): State<Desk>| async { events(desk, true) }))
        .route(ACT, post(act))
        .layer(middleware::from_fn_with_state(desk.clone(), guarded))
        .layer(middleware::map_response(with_headers))
        .with_state(desk)
}

async fn guarded(
    State(desk): State<Desk>,
    Extension(guest): Extension<Arc<Guest>>,
    request: Request,
    next: Next,
) -> Response {
    match guard::check(&desk.place, request.method(), request.uri().path(), request.headers()) {
        Ok(standing) => {
            guest.becomes(standing);
            next.run(request).await
        }
        // What it still wants to send is not waited for.
        Err((status, why)) => (status, [(header::CONNECTION, "close")], why).into_response(),
    }
}

async fn with_headers(mut response: Response) -> Response {
    for (name, value) in HEADERS {
        response.headers_mut().insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    response
}

async fn act(State(desk): State<Desk>, headers: HeaderMap, body: Body) -> Response {
    let id = match guard::act_id(&desk.run, &headers) {
        Ok(id) => id,
        Err(refusal) => return refusal.into_response(),
    };
    let read = tokio::time::timeout(PATIENCE, axum::body::to_bytes(body, LARGEST_ACT));
    let bytes = match read.await {
        Ok(Ok(bytes)) => bytes,
        Ok(Err(_)) => return (StatusCode::PAYLOAD_TOO_LARGE, "that is too long for an act\n").into_response(),
        Err(_) => return (StatusCode::REQUEST_TIMEOUT, "that took too long\n").into_response(),
    };
    let Ok(ask) = serde_json::from_slice::<Ask>(&bytes) else {
        return (StatusCode::BAD_REQUEST, "the board knows no such act\n").into_response();
    };
    let outcome = desk.recent.lock().unwrap_or_else(PoisonError::into_inner).ask(id, ask, &desk.asked);
    let outcome = match outcome {
        Ok(outcome) => outcome,
        Err(NotAsked::Busy) => {
            let why = "the recorder is busy or has ended: try again\n";
            return (StatusCode::SERVICE_UNAVAILABLE, why).into_response();
        }
        Err(NotAsked::Reused) => {
            let why = "another act had this id: make a new one for each act\n";
            return (StatusCode::UNPROCESSABLE_ENTITY, why).into_response();
        }
    };
    match tokio::time::timeout(PATIENCE, outcome).await {
        Ok(Ok(Answer::Done)) => StatusCode::NO_CONTENT.into_response(),
        Ok(Ok(Answer::Refused(why))) => (StatusCode::CONFLICT, why).into_response(),
        _ => (StatusCode::SERVICE_UNAVAILABLE, "the recorder did not answer: look at the list\n").into_response(),
    }
}

/// What one page has been sent.
struct Client {
    desk: Desk,
    list: bool,
    sent_face: u64,
    sent_list: u64,
    sent_at: Option<Instant>,
    /// What it was told last of the daemon's clock.
    sent_now: i64,
}

impl Drop for Client {
    fn drop(&mut self) {
        self.desk.watching.fetch_sub(1, Ordering::Relaxed);
    }
}

fn events(desk: Desk, list: bool) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    desk.watching.fetch_add(1, Ordering::Relaxed);
    let client = Client { desk, list, sent_face: 0, sent_list: 0, sent_at: None, sent_now: -1 };
    Sse::new(stream::unfold(client, |mut client| async { client.next().await.map(|event| (Ok(event), client)) }))
}

impl Client {
    /// The next thing that it lacks. A page that is slow is only ever sent the newest.
    async fn next(&mut self) -> Option<Event> {
        loop {
            let frame = self.desk.frames.borrow_and_update().clone();
            let now = frame.now;
            let due = self.sent_at.is_none_or(|at| at.elapsed() >= BEAT);
            let event = if frame.face.number != self.sent_face {
                self.sent_face = frame.face.number;
                Event::default().event("face").data(format!("{{\"now\":{now},\"face\":{}}}", frame.face.json))
            } else if self.list && frame.list.number != self.sent_list {
                self.sent_list = frame.list.number;
                Event::default().event("list").data(format!("{{\"now\":{now},\"list\":{}}}", frame.list.json))
            } else if due && now > self.sent_now {
                Event::default().event("beat").data(format!("{{\"now\":{now}}}"))
            } else {
                self.desk.frames.changed().await.ok()?;
                continue;
            };
            (self.sent_at, self.sent_now) = (Some(Instant::now()), now);
            return Some(event);
        }
    }
}
