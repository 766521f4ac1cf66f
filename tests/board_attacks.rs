//! The board's server against whoever means it harm, by hand-made requests.

mod common;

use common::script::{Run, pack};
use earmark::board::{About, Answer, Board, Place, Snapshot};
use earmark::core::Input;
use earmark::core::action::Action;
use earmark::glance::Glance;
use earmark::pack::Pack;
use earmark::record::Purpose;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::LazyLock;
use std::time::{Duration, Instant};

static PACK: LazyLock<Pack> = LazyLock::new(|| pack("newborn"));

fn snapshot(run: &Run) -> Snapshot {
    Snapshot::of(Glance::of(run.core.state(), &PACK, run.core.now()), &run.core, &PACK, "")
}

/// An open board that shows an invented recording, and how to reach it.
struct Scene {
    board: Board,
    address: SocketAddr,
    look: String,
    act: String,
}

impl Scene {
    fn new() -> Scene {
        Scene::at("127.0.0.1:0")
    }

    fn at(address: &str) -> Scene {
        let place = Place::new(address.parse().unwrap(), true, None).unwrap();
        let board = Board::open(place, About::new(&PACK, Purpose::Demo)).unwrap();
        let mut run = Run::new(&PACK);
        run.say(1000, "baby is out");
        board.show(snapshot(&run));
        let token = |link: String| link.split_once('#').map(|(_, token)| token.to_string()).unwrap_or_default();
        let (look, act) = (token(board.place().wall()), token(board.place().scribe()));
        let port = board.place().address.port();
        Scene { address: ([127, 0, 0, 1], port).into(), board, look, act }
    }

    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(self.address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(15))).unwrap();
        stream.set_write_timeout(Some(Duration::from_secs(15))).unwrap();
        stream
    }

    /// Sends this and gives the answer's head and what came of its body within a moment.
    fn ask(&self, request: &str) -> String {
        let mut stream = self.connect();
        stream.write_all(request.as_bytes()).unwrap();
        read_some(&mut stream)
    }

    fn get(&self, path: &str, headers: &str) -> String {
        self.ask(&format!("GET {path} HTTP/1.1\r\nhost: {}\r\n{headers}\r\n", self.address))
    }

    /// The head of an act that would be obeyed.
    fn act_head(&self, rest: &str) -> String {
        let Scene { address, act, .. } = self;
        format!(
            "POST /act HTTP/1.1\r\nhost: {address}\r\norigin: http://{address}\r\nauthorization: Bearer {act}\r\n\
             content-type: application/json\r\n{rest}\r\n"
        )
    }

    fn nothing_was_asked(&mut self) {
        use futures::FutureExt;
        assert!(self.board.asked().now_or_never().is_none());
    }
}

/// Reads until the other side is quiet for a while.
fn read_some(stream: &mut TcpStream) -> String {
    let mut all = Vec::new();
    let mut piece = [0; 4096];
    while let Ok(count @ 1..) = stream.read(&mut piece) {
        all.extend_from_slice(&piece[..count]);
        stream.set_read_timeout(Some(Duration::from_millis(150))).unwrap();
    }
    String::from_utf8_lossy(&all).into_owned()
}

fn status(answer: &str) -> &str {
    answer.split(' ').nth(1).unwrap_or("none")
}

const UNDO: &str = r#"{"act":"undo"}"#;

#[test]
fn every_page_comes_with_a_strict_policy_and_holds_nothing_inline() {
    let scene = Scene::new();
    for path in ["/", "/scribe", "/board.css", "/link.js", "/draw.js", "/wall.js", "/scribe.js", "/icon.svg", "/none"] {
        let answer = scene.get(path, "");
        assert_eq!(status(&answer), if path == "/none" { "404" } else { "200" }, "{path}");
        for header in
            ["default-src 'none'", "frame-ancestors 'none'", "nosniff", "no-referrer", "no-store", "same-origin"]
        {
            assert!(answer.contains(header), "{path} lacks {header}: {answer}");
        }
        assert!(!answer.contains("unsafe") && !answer.to_lowercase().contains("set-cookie"), "{path}");
    }
    for page in ["/", "/scribe"] {
        let page = scene.get(page, "");
        assert!(
            !page.contains("<style")
                && !page.contains(" style=")
                && !page.contains("<script>")
                && !page.contains(" on")
        );
        assert!(!page.contains("http://") && !page.contains("https://") && !page.contains("//"), "{page}");
    }
}

#[test]
fn an_act_goes_to_the_core_and_its_answer_comes_back() {
    let mut scene = Scene::new();
    for (answer, expected) in [(Answer::Done, "204"), (Answer::Refused("there is nothing to undo".into()), "409")] {
        let body = r#"{"act":"value","of":1,"value":60.5}"#;
        let request = scene.act_head(&format!("content-length: {}\r\n", body.len())) + body;
        let mut stream = scene.connect();
        stream.write_all(request.as_bytes()).unwrap();
        let asked = futures::executor::block_on(scene.board.asked());
        let (input, reply) = asked.into_input(5000);
        let Input::Act { action: Action::On(1, action), at: 5000, .. } = input else { panic!("{input:?}") };
        assert_eq!(*action, Action::AmendValue(60.5));
        reply.send(answer);
        assert_eq!(status(&read_some(&mut stream)), expected);
    }
}

#[test]
fn an_act_without_its_papers_is_refused() {
    let mut scene = Scene::new();
    let address = scene.address;
    let whole = scene.act_head(&format!("content-length: {}\r\n", UNDO.len())) + UNDO;
    let token = scene.act.clone();
    let change = |from: &str, to: &str| whole.replace(from, to);
    let forged = [
        (change(&format!("authorization: Bearer {token}\r\n"), ""), "401"),
        (change(&token, "0123456789abcdef0123456789abcdef"), "401"),
        (change(&format!("Bearer {token}"), &token), "401"),
        (change("POST /act", &format!("POST /act?token={token}")).replace(&format!("Bearer {token}"), ""), "401"),
        (change(&format!("origin: http://{address}\r\n"), ""), "403"),
        (change(&format!("origin: http://{address}"), "origin: http://evil.example"), "403"),
        (change(&format!("origin: http://{address}"), "origin: null"), "403"),
        (change("content-type:", "sec-fetch-site: cross-site\r\ncontent-type:"), "403"),
        (change(&format!("host: {address}"), &format!("host: evil.example:{}", address.port())), "421"),
        (change("application/json", "text/plain"), "415"),
        (change("POST", "GET"), "405"),
        (change(UNDO, r#"{"act":"end!"}"#), "400"),
        (change(UNDO, r#"["act","un"]  "#), "400"),
    ];
    for (request, expected) in forged {
        assert_eq!(status(&scene.ask(&request)), expected, "{request}");
    }
    scene.nothing_was_asked();
}

#[test]
fn on_a_network_nothing_is_shown_without_a_token() {
    let scene = Scene::at("0.0.0.0:0");
    for path in ["/events", "/events/list"] {
        assert_eq!(status(&scene.get(path, "")), "401");
        assert_eq!(status(&scene.get(path, "authorization: Bearer 00\r\n")), "401");
        for token in [&scene.look, &scene.act] {
            let answer = scene.get(path, &format!("authorization: Bearer {token}\r\n"));
            assert_eq!(status(&answer), "200");
            assert!(answer.contains("event: face"), "{answer}");
        }
    }
    // The pages themselves hold nothing.
    assert_eq!(status(&scene.get("/", "")), "200");
    let asks = scene.act_head("").replace(&scene.act, &scene.look);
    assert_eq!(status(&scene.ask(&asks)), "401");
}

#[test]
fn another_sites_page_does_not_look_on() {
    let scene = Scene::new();
    assert_eq!(status(&scene.get("/events", "sec-fetch-site: cross-site\r\n")), "403");
    assert_eq!(status(&scene.get("/events", "origin: http://evil.example\r\n")), "403");
    assert_eq!(status(&scene.get("/events", "sec-fetch-site: same-origin\r\n")), "200");
}

/// Sends up to 100 MB of this behind a head; gives how much was taken, and the answer.
fn flood(scene: &Scene, head: &str, piece: &[u8]) -> (usize, String) {
    let mut stream = scene.connect();
    stream.write_all(head.as_bytes()).unwrap();
    let mut sent = 0;
    while sent < 100_000_000 {
        match stream.write(piece) {
            Ok(count) => sent += count,
            Err(_) => break,
        }
    }
    (sent, read_some(&mut stream))
}

#[test]
fn a_hundred_megabytes_are_cut_short() {
    let mut scene = Scene::new();
    let head = format!("GET / HTTP/1.1\r\nhost: {}\r\nx-much: ", scene.address);
    let many = format!("GET / HTTP/1.1\r\nhost: {}\r\n", scene.address);
    let line = format!("GET /{}", "a".repeat(100));
    let body = scene.act_head("content-length: 100000000\r\n");
    let chunked = scene.act_head("transfer-encoding: chunked\r\n");
    let stranger = body.replace(&scene.act, "00");
    let chunk = [b"10000\r\n".to_vec(), vec![b' '; 0x10000], b"\r\n".to_vec()].concat();
    let plain = vec![b'a'; 1 << 16];
    let header = b"x-some: thing\r\n".repeat(1000);
    for (head, piece) in
        [(&head, &plain), (&many, &header), (&line, &plain), (&body, &plain), (&chunked, &chunk), (&stranger, &plain)]
    {
        let (sent, answer) = flood(&scene, head, piece);
        // What was taken lies in the system's buffers; no answer is seen where the connection was reset.
        assert!(sent < 20_000_000, "{sent} bytes were taken behind {head}");
        assert!(["none", "400", "401", "413", "414", "431"].contains(&status(&answer)), "{answer}");
    }
    scene.nothing_was_asked();
    assert_eq!(status(&scene.get("/", "")), "200");
}

#[test]
fn a_small_excess_is_told_why() {
    let scene = Scene::new();
    let long = "a".repeat(20_000);
    assert_eq!(status(&scene.get("/", &format!("x-much: {long}\r\n"))), "431");
    let body = format!(r#"{{"act":"undo","and":"{}"}}"#, "a".repeat(2000));
    assert_eq!(status(&scene.ask(&(scene.act_head(&format!("content-length: {}\r\n", body.len())) + &body))), "413");
}

#[test]
fn a_client_that_takes_nothing_is_dropped_and_never_waited_for() {
    let scene = Scene::new();
    let mut stream = scene.connect();
    write!(stream, "GET /events/list HTTP/1.1\r\nhost: {}\r\n\r\n", scene.address).unwrap();
    let began = Instant::now();
    while !scene.board.is_watched() {
        assert!(began.elapsed() < Duration::from_secs(5));
        std::thread::sleep(Duration::from_millis(5));
    }
    let mut run = Run::new(&PACK);
    run.say(1000, "baby is out");
    let mut snapshot = snapshot(&run);
    let mut longest = Duration::ZERO;
    let began = Instant::now();
    while scene.board.is_watched() {
        assert!(began.elapsed() < Duration::from_secs(60), "it is still there");
        snapshot.list[0].text = format!("{} {}", began.elapsed().as_nanos(), "long ".repeat(4000));
        snapshot.glance.now += 20;
        let next = snapshot.clone();
        let shown = Instant::now();
        scene.board.show(next);
        longest = longest.max(shown.elapsed());
        std::thread::sleep(Duration::from_millis(20));
    }
    // On a busy machine our own thread may have to wait for the processor.
    assert!(longest < Duration::from_millis(500), "the daemon was kept waiting for {longest:?}");
}

#[test]
fn half_requests_and_idle_connections_do_not_keep_others_out() {
    let scene = Scene::new();
    let mut held: Vec<TcpStream> = (0..300).map(|_| scene.connect()).collect();
    for stream in &mut held {
        let _ = write!(stream, "GET / HTTP/1.1\r\nhost: ");
    }
    let began = Instant::now();
    assert_eq!(status(&scene.get("/", "")), "200");
    assert!(began.elapsed() < Duration::from_secs(14));
}

#[test]
fn the_last_thing_that_pages_hear_is_why_it_ended() {
    let scene = Scene::new();
    let mut stream = scene.connect();
    write!(stream, "GET /events HTTP/1.1\r\nhost: {}\r\n\r\n", scene.address).unwrap();
    let mut piece = [0; 4096];
    let mut heard = String::new();
    while !heard.contains("event: face") {
        let count = stream.read(&mut piece).unwrap();
        heard += &String::from_utf8_lossy(&piece[..count]);
    }
    assert!(heard.contains(r#""ended":null"#));
    let began = Instant::now();
    scene.board.close("the disk is full");
    assert!(began.elapsed() < Duration::from_secs(3));
    let rest = read_some(&mut stream);
    assert!(rest.contains(r#""ended":"the disk is full""#), "{rest}");
}
