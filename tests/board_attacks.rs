//! The board's server against whoever means it harm, by hand-made requests; and where the program says it is.

mod common;

use common::script::{Run, pack};
use common::sound_server::SoundServer;
use earmark::board::{About, Answer, Board, Place, Snapshot};
use earmark::core::Input;
use earmark::core::action::Action;
use earmark::glance::Glance;
use earmark::pack::Pack;
use earmark::record::Purpose;
use std::io::{BufRead, BufReader, ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{LazyLock, Mutex, MutexGuard, PoisonError};
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
    run: String,
}

/// Each act has its own id.
static ACTS: AtomicU64 = AtomicU64::new(0);

impl Scene {
    fn new() -> Scene {
        Scene::at("127.0.0.1:0")
    }

    fn at(address: &str) -> Scene {
        let place = Place::new(address.parse().unwrap(), true, None).unwrap();
        let about = About::new(&PACK, Purpose::Demo);
        let run = about.run.clone();
        let board = Board::open(place, about).unwrap();
        let mut recording = Run::new(&PACK);
        recording.say(1000, "baby is out");
        board.show(snapshot(&recording));
        let token = |link: String| link.split_once('#').map(|(_, token)| token.to_string()).unwrap_or_default();
        let (look, act) = (token(board.place().wall()), token(board.place().scribe()));
        let port = board.place().address.port();
        Scene { address: ([127, 0, 0, 1], port).into(), board, look, act, run }
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
        let Scene { address, act, run, .. } = self;
        let id = ACTS.fetch_add(1, Ordering::Relaxed);
        format!(
            "POST /act HTTP/1.1\r\nhost: {address}\r\norigin: http://{address}\r\nauthorization: Bearer {act}\r\n\
             content-type: application/json\r\nidempotency-key: {run}/{id:032x}\r\n{rest}\r\n"
        )
    }

    /// An act that would be obeyed; the same id however often it is sent.
    fn act(&self, body: &str) -> String {
        self.act_head(&format!("content-length: {}\r\n", body.len())) + body
    }

    /// Sends this and leaves the connection open.
    fn send(&self, request: &str) -> TcpStream {
        let mut stream = self.connect();
        // Who is turned away at once may hear of it only here.
        let _ = stream.write_all(request.as_bytes());
        stream
    }

    /// Looks on until `words` have come, and further.
    fn watch(&self, path: &str, token: &str, words: &str) -> TcpStream {
        let mut stream = self
            .send(&format!("GET {path} HTTP/1.1\r\nhost: {}\r\nauthorization: Bearer {token}\r\n\r\n", self.address));
        let answer = hear(&mut stream, words);
        assert!(status(&answer) == "200" && answer.contains(words), "{answer}");
        stream
    }

    /// The recorder's part: answers the next act that was asked for.
    fn answer(&mut self, answer: Answer) {
        let asked = futures::executor::block_on(self.board.asked());
        asked.into_input(5000).1.send(answer);
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

/// Reads until this has come, or all that comes.
fn hear(stream: &mut TcpStream, words: &str) -> String {
    let mut heard = String::new();
    let mut piece = [0; 4096];
    while !heard.contains(words) {
        match stream.read(&mut piece) {
            Ok(count @ 1..) => heard += &String::from_utf8_lossy(&piece[..count]),
            _ => break,
        }
    }
    heard
}

/// How long it takes until the other side closes, while a byte is sent now and then, or none.
fn closed_after(mut stream: TcpStream, bytes: &[u8]) -> Duration {
    let began = Instant::now();
    stream.set_read_timeout(Some(Duration::from_millis(100))).unwrap();
    let mut piece = [0; 4096];
    for n in 0.. {
        assert!(began.elapsed() < Duration::from_secs(30), "it is still open");
        match stream.read(&mut piece) {
            Ok(0) => break,
            Err(error) if ![ErrorKind::WouldBlock, ErrorKind::TimedOut].contains(&error.kind()) => break,
            _ => {}
        }
        if bytes.get(n).is_some_and(|byte| stream.write_all(&[*byte]).is_err()) {
            break;
        }
    }
    began.elapsed()
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
        (change("idempotency-key: ", "x-key: "), "400"),
        (change(&format!("idempotency-key: {}/", scene.run), "idempotency-key: "), "400"),
        (change(&format!("idempotency-key: {}/", scene.run), "idempotency-key: another-run/"), "409"),
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

/// Held by tests that open hundreds of connections: all at once would be more than one program may have.
fn alone() -> MutexGuard<'static, ()> {
    static CROWD: Mutex<()> = Mutex::new(());
    CROWD.lock().unwrap_or_else(PoisonError::into_inner)
}

/// All that the scribe's page does, while others have whatever they hold.
fn the_scribe_gets_through(scene: &mut Scene) {
    for path in ["/scribe", "/board.css", "/link.js", "/draw.js", "/scribe.js"] {
        assert_eq!(status(&scene.get(path, "")), "200", "{path}");
    }
    let act = scene.act.clone();
    let list = scene.watch("/events/list", &act, "event: list");
    let mut asks = scene.send(&scene.act(UNDO));
    scene.answer(Answer::Done);
    assert_eq!(status(&read_some(&mut asks)), "204");
    drop(list);
}

#[test]
fn three_hundred_streams_without_a_token_keep_nobody_out() {
    let _alone = alone();
    let mut scene = Scene::new();
    let (look, act) = (scene.look.clone(), scene.act.clone());
    let mut known = [scene.watch("/events", &look, "event: face"), scene.watch("/events/list", &act, "event: list")];
    let stream = format!("GET /events HTTP/1.1\r\nhost: {}\r\n\r\n", scene.address);
    let held: Vec<TcpStream> = (0..300).map(|_| scene.send(&stream)).collect();
    the_scribe_gets_through(&mut scene);
    // Whoever looked on with a token still does, and so does a newcomer without one.
    let mut run = Run::new(&PACK);
    run.say(1000, "baby is out");
    let mut shown = snapshot(&run);
    shown.so_far = "heart rate".into();
    scene.board.show(shown);
    for stream in &mut known {
        assert!(hear(stream, "heart rate").contains("heart rate"));
    }
    assert_eq!(status(&scene.get("/events", "")), "200");
    drop(held);
}

#[test]
fn the_walls_link_does_not_keep_the_scribe_out() {
    let _alone = alone();
    let mut scene = Scene::at("0.0.0.0:0");
    let stream =
        format!("GET /events HTTP/1.1\r\nhost: {}\r\nauthorization: Bearer {}\r\n\r\n", scene.address, scene.look);
    let held: Vec<TcpStream> = (0..300).map(|_| scene.send(&stream)).collect();
    the_scribe_gets_through(&mut scene);
    drop(held);
}

#[test]
fn half_requests_and_idle_connections_do_not_keep_others_out() {
    let _alone = alone();
    let mut scene = Scene::new();
    let began = Instant::now();
    let half: Vec<TcpStream> = (0..300).map(|_| scene.send("GET / HTTP/1.1\r\nhost: ")).collect();
    let idle: Vec<TcpStream> = (0..300).map(|_| scene.connect()).collect();
    assert_eq!(status(&scene.get("/", "")), "200");
    // Nobody had to be waited for until it was cut off.
    assert!(began.elapsed() < Duration::from_secs(3));
    the_scribe_gets_through(&mut scene);
    drop((half, idle));
}

#[test]
fn strangers_who_come_again_and_again_do_not_keep_the_scribe_out() {
    let _alone = alone();
    let mut scene = Scene::new();
    let (address, stop) = (scene.address, std::sync::atomic::AtomicBool::new(false));
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut held = std::collections::VecDeque::new();
            while !stop.load(Ordering::Relaxed) {
                if let Ok(mut stream) = TcpStream::connect(address) {
                    let _ = write!(stream, "GET /events HTTP/1.1\r\nhost: {address}\r\n\r\n");
                    held.push_back(stream);
                }
                held.drain(..held.len().saturating_sub(300));
            }
        });
        std::thread::sleep(Duration::from_millis(300));
        let through = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| the_scribe_gets_through(&mut scene)));
        stop.store(true, Ordering::Relaxed);
        if let Err(why) = through {
            std::panic::resume_unwind(why);
        }
    });
}

#[test]
fn a_slow_head_is_cut_off_and_nothing_lies_idle() {
    let scene = Scene::new();
    let head = format!("GET / HTTP/1.1\r\nhost: {}\r\nx-slow: {}", scene.address, "a".repeat(1000));
    let answered = || {
        let mut stream = scene.send(&format!("GET /icon.svg HTTP/1.1\r\nhost: {}\r\n\r\n", scene.address));
        hear(&mut stream, "</svg>");
        stream
    };
    std::thread::scope(|scope| {
        let slow = scope.spawn(|| closed_after(scene.connect(), head.as_bytes()));
        let idle = scope.spawn(|| closed_after(scene.connect(), b""));
        let after = scope.spawn(|| closed_after(answered(), b""));
        for (what, took) in [("a slow head", slow), ("no head", idle), ("nothing more", after)] {
            let took = took.join().unwrap();
            assert!(took < Duration::from_millis(4800), "{what} was borne for {took:?}");
        }
    });
}

#[test]
fn an_act_that_is_sent_again_is_done_once_and_answered_alike() {
    let mut scene = Scene::new();
    for (answer, expected) in [(Answer::Done, "204"), (Answer::Refused("there is nothing to undo".into()), "409")] {
        let request = scene.act(UNDO);
        // The first one's answer is lost with its connection.
        let lost = scene.send(&request);
        let asked = futures::executor::block_on(scene.board.asked());
        drop(lost);
        let mut during: Vec<TcpStream> = (0..3).map(|_| scene.send(&request)).collect();
        asked.into_input(5000).1.send(answer);
        for stream in &mut during {
            assert_eq!(status(&read_some(stream)), expected);
        }
        assert_eq!(status(&scene.ask(&request)), expected);
        let other = request.replace("undo", "mark");
        assert_eq!(status(&scene.ask(&other)), "422");
    }
    let (mut first, mut second) = (scene.send(&scene.act(UNDO)), scene.send(&scene.act(UNDO)));
    scene.answer(Answer::Done);
    scene.answer(Answer::Done);
    assert_eq!((status(&read_some(&mut first)), status(&read_some(&mut second))), ("204", "204"));
    scene.nothing_was_asked();
    let without = scene.act(UNDO).replace("idempotency-key", "x-key");
    let told = scene.ask(&without);
    assert!(told.contains("an act needs the header `idempotency-key"), "{told}");
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

/// The program itself, at work with a board.
struct Program {
    child: Child,
    /// What it told before it listened.
    links: Vec<String>,
    port: u16,
    folder: tempfile::TempDir,
    _server: SoundServer,
}

impl Program {
    fn start(board: &[&str]) -> Program {
        let server = SoundServer::start();
        let folder = tempfile::tempdir().unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_earmark"));
        command.args([
            "listen",
            "--mic",
            "virtual_mic",
            "--keypad",
            "off",
            "--no-voice",
            "--plain",
            "--purpose",
            "demo",
        ]);
        command.args(board).arg("--log").arg(folder.path().join("a.earmark.jsonl"));
        server.enter(&mut command);
        command.env(earmark::engine::assets::OVERRIDE, earmark::engine::assets::folder().unwrap());
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines().map_while(Result::ok);
        let told: Vec<String> = lines.by_ref().take_while(|line| !line.starts_with("Listening to")).collect();
        std::thread::spawn(move || lines.for_each(drop));
        let links: Vec<String> = told.iter().filter(|line| line.contains("http://")).cloned().collect();
        let port =
            host(links.first().unwrap_or_else(|| panic!("{told:?}"))).rsplit_once(':').unwrap().1.parse().unwrap();
        Program { child, links, port, folder, _server: server }
    }

    fn ask(&self, request: &str) -> TcpStream {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(15))).unwrap();
        stream.write_all(request.as_bytes()).unwrap();
        stream
    }

    fn notes(&self) -> usize {
        let log = std::fs::read_to_string(self.folder.path().join("a.earmark.jsonl")).unwrap();
        log.lines().filter(|line| line.contains(r#""kind":"note""#) && line.contains(r#""by":"board""#)).count()
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Host and port of a link.
fn host(line: &str) -> &str {
    line.split_once("http://").and_then(|(_, rest)| rest.split('/').next()).expect("a link")
}

#[test]
fn the_program_marks_once_while_three_hundred_strangers_look_on() {
    let _alone = alone();
    let program = Program::start(&["--board", "127.0.0.1:0"]);
    let here = host(&program.links[0]);
    let token = program.links[1].split_once('#').unwrap().1;
    let get = |path: &str| format!("GET {path} HTTP/1.1\r\nhost: {here}\r\n");
    let held: Vec<TcpStream> = (0..300).map(|_| program.ask(&(get("/events") + "\r\n"))).collect();
    assert_eq!(status(&read_some(&mut program.ask(&(get("/scribe") + "\r\n")))), "200");
    let mut list = program.ask(&(get("/events/list") + &format!("authorization: Bearer {token}\r\n\r\n")));
    let face = hear(&mut list, "event: list");
    let run = face.split_once(r#""run":""#).unwrap().1.split('"').next().unwrap();
    let id = "0123456789abcdef0123456789abcdef";
    let act = format!(
        "POST /act HTTP/1.1\r\nhost: {here}\r\norigin: http://{here}\r\nauthorization: Bearer {token}\r\n\
         content-type: application/json\r\nidempotency-key: {run}/{id}\r\ncontent-length: 14\r\n\r\n{{\"act\":\"mark\"}}"
    );
    for _ in 0..3 {
        assert_eq!(status(&read_some(&mut program.ask(&act))), "204");
        assert_eq!(program.notes(), 1);
    }
    assert_eq!(status(&read_some(&mut program.ask(&act.replace(id, &id.replace('0', "f"))))), "204");
    assert_eq!(program.notes(), 2);
    drop(held);
}

#[test]
fn at_all_addresses_each_link_leads_here_and_so_do_the_machines_names() {
    let program = Program::start(&["--board", "0.0.0.0:0", "--board-network"]);
    let (links, port) = (&program.links, program.port);
    let answers = |host: &str| {
        status(&hear(&mut program.ask(&format!("GET / HTTP/1.1\r\nhost: {host}\r\n\r\n")), "\r\n")).to_string()
    };
    for (wall, scribe) in links.iter().step_by(2).zip(links.iter().skip(1).step_by(2)) {
        assert_eq!(host(wall), host(scribe));
        assert!(wall.starts_with("Wall board: ") && scribe.contains("/scribe#"), "{links:?}");
        assert!(!wall.contains("0.0.0.0") && !wall.contains("127.0.0.1"), "{links:?}");
        assert_eq!(answers(host(wall)), "200", "{wall}");
    }
    // The address from which this machine would reach others; nothing is sent to find it.
    let out = std::net::UdpSocket::bind("0.0.0.0:0").unwrap();
    if out.connect("192.0.2.1:9").is_ok() {
        let ip = out.local_addr().unwrap().ip();
        assert!(links.iter().any(|link| host(link) == format!("{ip}:{port}")), "{ip} is not among {links:?}");
        TcpStream::connect((ip, port)).unwrap();
    }
    let name = std::fs::read_to_string("/proc/sys/kernel/hostname").unwrap().trim().to_string();
    let first = name.split('.').next().unwrap();
    let local = if first == "localhost" { first.into() } else { format!("{first}.local") };
    for (host, expected) in
        [(first.to_string(), "200"), (local, "200"), ("localhost".into(), "200"), ("evil.example".into(), "421")]
    {
        assert_eq!(answers(&format!("{host}:{port}")), expected, "{host}");
    }
}

#[test]
fn an_address_that_is_none_is_told_what_is_expected() {
    for wrong in ["ward", "localhost8080", "70000", "127.0.0.1:http", ""] {
        let output = Command::new(env!("CARGO_BIN_EXE_earmark")).args(["listen", "--board", wrong]).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(
            !output.status.success() && said.contains("such as 8080, 127.0.0.1, localhost:7717"),
            "{wrong}: {said}"
        );
    }
    // These are understood: what is then refused is to be reached by others.
    for right in ["0.0.0.0", "[::]", "192.0.2.7:80"] {
        let output = Command::new(env!("CARGO_BIN_EXE_earmark")).args(["listen", "--board", right]).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(said.contains("Add --board-network"), "{right}: {said}");
    }
}

#[test]
fn the_wall_warns_of_what_cannot_be_mended_whatever_else_comes_and_goes() {
    let mut run = Run::new(&PACK);
    for (t, (device, state, text)) in (1..).zip([
        ("engine", "limited", Some("words are not known to it")),
        ("disk", "waiting", None),
        ("disk", "given up", Some("it gets no more records")),
        ("engine", "stalled", None),
        ("engine", "back", None),
        ("microphone", "lost", None),
        ("microphone", "back", None),
    ]) {
        let text = text.map(String::from);
        run.step(Input::Device { device: device.into(), state: state.into(), text }, t * 1000);
    }
    let scene = Scene::new();
    scene.board.show(snapshot(&run));
    let answer = scene.get("/events", "");
    let troubles = concat!(
        r#""troubles":[{"device":"disk","state":"given up","text":"it gets no more records"},"#,
        r#"{"device":"engine","state":"limited","text":"words are not known to it"}]"#
    );
    assert!(answer.contains(troubles), "{answer}");
}
