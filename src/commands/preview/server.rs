//! The door of the bench: who may ask, and in which form questions and answers travel.
//!
//! Listens on 127.0.0.1 alone. Any program on the machine, and any web site open in the browser,
//! can try to reach it, so every request must
//!
//! * name this server in `Host` (a foreign name that was made to point here does not),
//! * come from its own page, if it says where it comes from (`Origin`),
//! * carry the token that only the printed link holds: in the link itself for the page, in a
//!   header, which other sites may not set, for everything else.
//!
//! There is nothing to ask for but the page and four questions; no path leads to a file.

use super::page::Page;
use super::{Answer, PreviewOptions, Session, Values, ViewRequest};
use crate::output::folder::{CTRL_C, exit, on_interrupt};
use crate::{Error, Problem, Result};
use axum::Router;
use axum::body::{Body, Bytes, to_bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use rand::TryRngCore;
use rand::rngs::OsRng;
use serde::Deserialize;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicI32, Ordering};
use std::time::Duration;
use tokio::sync::{Notify, Semaphore};

/// Chance in the link: 32 bytes cannot be guessed, whatever may be tried how often.
const TOKEN_BYTES: usize = 32;

/// Header with the token.
const TOKEN_HEADER: &str = "x-preview-token";

/// Largest question: all settings with the longest list of knots.
const LARGEST_BODY: usize = 64 * 1024;

/// How long a connection may say nothing, between questions or within one.
const IDLE: Duration = Duration::from_secs(30);

/// How long answers under way may still take after Ctrl-C.
const PATIENCE: Duration = Duration::from_secs(2);

/// What every request may use. Nothing in it changes while it serves.
struct Desk {
    bench: Session,
    token: String,
    port: u16,
    page: Page,
    /// One answer at a time: each uses all cores, and two at once would both be late.
    turn: Semaphore,
    /// Likewise for exact answers, which drafts do not wait for.
    exact_turn: Semaphore,
    /// Threads of exact answers: those of drafts must not be found busy with them.
    exact_threads: rayon::ThreadPool,
}

/// A question about settings.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Question {
    values: Values,
    #[serde(default = "yes")]
    exact: bool,
    #[serde(default = "yes")]
    bit: bool,
    /// Nets that the page has, by their sides and rings.
    #[serde(default)]
    nets: Vec<[usize; 2]>,
}

fn yes() -> bool {
    true
}

/// A wish to write the job file.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Wish {
    values: Values,
    stamp: String,
    write: bool,
}

pub(super) fn serve(
    bench: Session,
    options: PreviewOptions,
    announce: &mut dyn FnMut(&str) -> Result<()>,
) -> Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| failed("start the server", &error))?;
    runtime.block_on(listen(bench, options, announce))
}

async fn listen(
    bench: Session,
    options: PreviewOptions,
    announce: &mut dyn FnMut(&str) -> Result<()>,
) -> Result<()> {
    let wanted = options.port.unwrap_or(0);
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, wanted));
    let listener = tokio::net::TcpListener::bind(address)
        .await
        .map_err(|error| port_taken(wanted, &error))?;
    let port = match listener.local_addr() {
        Ok(address) => address.port(),
        Err(error) => return Err(failed("start the server", &error)),
    };
    let exact_threads = rayon::ThreadPoolBuilder::new()
        .build()
        .map_err(|e| failed("start the server", &std::io::Error::other(e)))?;
    let token = token()?;
    let link = format!("http://127.0.0.1:{port}/?token={token}");
    let desk = Arc::new(Desk {
        bench,
        token,
        port,
        page: Page::new(),
        turn: Semaphore::new(1),
        exact_turn: Semaphore::new(1),
        exact_threads,
    });
    let stop = Arc::new(Notify::new());
    let code = Arc::new(AtomicI32::new(CTRL_C));
    let (stopper, ended_by) = (Arc::clone(&stop), Arc::clone(&code));
    on_interrupt(move |code| {
        ended_by.store(code, Ordering::SeqCst);
        stopper.notify_one();
    })?;
    announce(&link)?;
    let open = Arc::new(GracefulShutdown::new());
    let accepting = tokio::spawn(accept(listener, router(desk), Arc::clone(&open)));
    stop.notified().await;
    accepting.abort();
    // Ends with an error, which says that it was ended.
    let _ = accepting.await;
    if let Some(open) = Arc::into_inner(open) {
        // Whichever comes first: all connections closed, or patience at its end.
        let _ = tokio::time::timeout(PATIENCE, open.shutdown()).await;
    }
    match code.load(Ordering::SeqCst) {
        // How it is told that all is done.
        CTRL_C => Ok(()),
        code => exit(code),
    }
}

/// Serves every connection, until it has been silent for too long.
async fn accept(listener: tokio::net::TcpListener, router: Router, open: Arc<GracefulShutdown>) {
    let mut http = http1::Builder::new();
    http.timer(TokioTimer::new()).header_read_timeout(IDLE);
    loop {
        match listener.accept().await {
            Ok((stream, _)) => {
                let service = TowerToHyperService::new(router.clone());
                let connection = http.serve_connection(TokioIo::new(stream), service);
                // A connection that breaks is the browser's to open again.
                tokio::spawn(open.watch(connection));
            }
            // Too many open files, say: some will close.
            Err(_) => tokio::time::sleep(PATIENCE).await,
        }
    }
}

fn failed(doing: &str, error: &std::io::Error) -> Error {
    Error::Disk(Problem::new(format!("could not {doing}: {error}")))
}

fn port_taken(port: u16, error: &std::io::Error) -> Error {
    Error::Disk(
        Problem::new(format!("could not listen on this port: {error}"))
            .option("--port")
            .found(port)
            .next("choose another, or leave --port out to take a free one"),
    )
}

fn token() -> Result<String> {
    let mut bytes = [0; TOKEN_BYTES];
    OsRng.try_fill_bytes(&mut bytes).map_err(|error| {
        Error::Disk(Problem::new(format!(
            "the system gave no chance numbers for the link: {error}"
        )))
    })?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

fn router(desk: Arc<Desk>) -> Router {
    Router::new()
        .route("/", get(page))
        .route("/api/alive", post(alive))
        .route("/api/start", post(start))
        .route("/api/answer", post(answer))
        .route("/api/write", post(write))
        .fallback(unknown)
        .method_not_allowed_fallback(unknown)
        .layer(middleware::from_fn_with_state(Arc::clone(&desk), guard))
        .with_state(desk)
}

/// Lets nothing through that does not come from the link this program printed.
async fn guard(State(desk): State<Arc<Desk>>, request: Request, next: Next) -> Response {
    let mut response = match refusal(&desk, request.uri(), request.headers()) {
        Some(why) => plain_error(StatusCode::FORBIDDEN, why),
        None => {
            let (parts, body) = request.into_parts();
            match tokio::time::timeout(IDLE, to_bytes(body, LARGEST_BODY)).await {
                Ok(Ok(body)) => next.run(Request::from_parts(parts, body.into())).await,
                Ok(Err(_)) => plain_error(
                    StatusCode::PAYLOAD_TOO_LARGE,
                    "this is more than a page of settings",
                ),
                Err(_) => plain_error(
                    StatusCode::REQUEST_TIMEOUT,
                    "the question did not arrive whole",
                ),
            }
        }
    };
    let headers = response.headers_mut();
    let mut put = |name: header::HeaderName, value: &'static str| {
        headers.insert(name, HeaderValue::from_static(value));
    };
    put(header::CACHE_CONTROL, "no-store");
    put(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    put(header::REFERRER_POLICY, "no-referrer");
    put(header::X_FRAME_OPTIONS, "DENY");
    let policy = HeaderValue::from_str(&desk.page.policy);
    if let Ok(policy) = policy {
        headers.insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    let only_same = HeaderValue::from_static("same-origin");
    headers.insert("cross-origin-resource-policy", only_same.clone());
    headers.insert("cross-origin-opener-policy", only_same);
    response
}

/// Why a request is turned away, if it is.
fn refusal(desk: &Desk, uri: &Uri, headers: &HeaderMap) -> Option<&'static str> {
    let names = ["127.0.0.1", "localhost"].map(|name| format!("{name}:{}", desk.port));
    let only = |name: header::HeaderName| {
        let mut all = headers.get_all(name).iter();
        let first = all.next().map(|value| value.to_str().unwrap_or("?"));
        (first, all.next().is_some())
    };
    let (host, more) = only(header::HOST);
    if more || !host.is_some_and(|host| names.iter().any(|name| name == host)) {
        return Some("this address is not the one in the link that globewright printed");
    }
    let (origin, more) = only(header::ORIGIN);
    let own = |origin: &str| names.iter().any(|name| origin == format!("http://{name}"));
    if more || origin.is_some_and(|origin| !own(origin)) {
        return Some("only the page of this preview may ask, not another site");
    }
    let given = match uri.path() {
        "/" => uri.query().and_then(|query| {
            let mut pairs = query.split('&');
            pairs.find_map(|pair| pair.strip_prefix("token="))
        }),
        _ => headers
            .get(TOKEN_HEADER)
            .and_then(|value| value.to_str().ok()),
    };
    match given {
        Some(given) if same(given.as_bytes(), desk.token.as_bytes()) => None,
        Some(_) => Some(
            "this link is from an earlier preview, or was not copied whole: use the link that \
             globewright printed last",
        ),
        None => Some("the token is missing: use the whole link that globewright printed"),
    }
}

/// Compares without stopping at the first difference, which would tell how far a guess is right.
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |sum, (x, y)| sum | (x ^ y)) == 0
}

async fn page(State(desk): State<Arc<Desk>>) -> Response {
    let kind = [(header::CONTENT_TYPE, "text/html; charset=utf-8")];
    (kind, desk.page.html.clone()).into_response()
}

async fn alive() -> StatusCode {
    StatusCode::NO_CONTENT
}

async fn unknown() -> Response {
    plain_error(StatusCode::NOT_FOUND, "there is nothing at this address")
}

async fn start(State(desk): State<Arc<Desk>>) -> Response {
    work(desk, false, |bench| bench.start().map(|start| json(&start))).await
}

async fn answer(State(desk): State<Arc<Desk>>, body: Bytes) -> Response {
    match read::<Question>(body) {
        Ok(question) => {
            let Question {
                values,
                exact,
                bit,
                nets,
            } = question;
            work(desk, exact, move |bench| {
                let answer = bench.answer(&values, ViewRequest { exact, bit })?;
                Ok(packed(answer, &nets))
            })
            .await
        }
        Err((status, what)) => plain_error(status, &what),
    }
}

async fn write(State(desk): State<Arc<Desk>>, body: Bytes) -> Response {
    match read::<Wish>(body) {
        Ok(wish) => {
            let save = move |bench: &Session| bench.save(&wish.values, &wish.stamp, wish.write);
            work(desk, false, move |bench| {
                save(bench).map(|saved| json(&saved))
            })
            .await
        }
        Err((status, what)) => plain_error(status, &what),
    }
}

/// Runs a question beside the waiting thread, one at a time. A page that has gone away before its
/// turn came costs nothing.
async fn work(
    desk: Arc<Desk>,
    exact: bool,
    ask: impl FnOnce(&Session) -> Result<Response> + Send + 'static,
) -> Response {
    let turn = if exact { &desk.exact_turn } else { &desk.turn };
    let Ok(_turn) = turn.acquire().await else {
        return plain_error(StatusCode::SERVICE_UNAVAILABLE, "the preview is stopping");
    };
    let worker = Arc::clone(&desk);
    let answered = tokio::task::spawn_blocking(move || match exact {
        true => worker.exact_threads.install(|| ask(&worker.bench)),
        false => ask(&worker.bench),
    })
    .await;
    match answered {
        Ok(Ok(response)) => response,
        Ok(Err(error)) => told(&error),
        Err(_) => plain_error(
            StatusCode::INTERNAL_SERVER_ERROR,
            "the preview could not answer this; another setting may work",
        ),
    }
}

/// Why a question cannot be read.
type Unread = (StatusCode, String);

fn read<T: for<'a> Deserialize<'a>>(body: Bytes) -> std::result::Result<T, Unread> {
    serde_json::from_slice(&body).map_err(|error| {
        let what = format!("the question was not understood: {error}");
        (StatusCode::BAD_REQUEST, what)
    })
}

/// An error of the job as the command line would print it.
fn told(error: &Error) -> Response {
    let status = match error {
        Error::Disk(_) => StatusCode::INTERNAL_SERVER_ERROR,
        _ => StatusCode::UNPROCESSABLE_ENTITY,
    };
    plain_error(status, &error.to_string())
}

fn plain_error(status: StatusCode, what: &str) -> Response {
    let mut response = json(&serde_json::json!({ "error": what }));
    *response.status_mut() = status;
    response
}

fn unsayable(error: &serde_json::Error) -> Response {
    let what = format!("the answer cannot be written as JSON: {error}");
    plain_error(StatusCode::INTERNAL_SERVER_ERROR, &what)
}

fn json(value: &impl serde::Serialize) -> Response {
    let kind = [(header::CONTENT_TYPE, "application/json")];
    match serde_json::to_string(value) {
        Ok(text) => (kind, text).into_response(),
        Err(error) => unsayable(&error),
    }
}

/// Length of the JSON (u32), the JSON filled up with spaces to a multiple of four, the points as
/// 32-bit floats, then triangles and rim (u32) of each net that the page does not have; all
/// little-endian. A net that it has is told as one without triangles.
fn packed(mut answer: Answer, known: &[[usize; 2]]) -> Response {
    for net in &mut answer.nets {
        if known.contains(&[net.sides, net.rings]) {
            (net.triangles, net.rim) = (Vec::new(), Vec::new());
        }
    }
    let mut json = match serde_json::to_vec(&answer) {
        Ok(json) => json,
        Err(error) => return unsayable(&error),
    };
    json.resize(json.len().next_multiple_of(4), b' ');
    let nets = answer.nets.iter().map(|n| n.triangles.len() + n.rim.len());
    let numbers = answer.points_mm.len() + nets.sum::<usize>();
    let mut bytes = Vec::with_capacity(4 + json.len() + 4 * numbers);
    bytes.extend((json.len() as u32).to_le_bytes());
    bytes.extend(json);
    bytes.extend(answer.points_mm.iter().flat_map(|mm| mm.to_le_bytes()));
    for net in &answer.nets {
        let numbers = net.triangles.iter().chain(&net.rim);
        bytes.extend(numbers.flat_map(|number| number.to_le_bytes()));
    }
    let kind = [(header::CONTENT_TYPE, "application/octet-stream")];
    (kind, Body::from(bytes)).into_response()
}
