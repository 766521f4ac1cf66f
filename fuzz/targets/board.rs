//! Any bytes sent to a real board on this machine. The first byte chooses what is put before them: nothing, a head that
//! is obeyed as far as it goes, or an act's.
#![no_main]

use earmark::board::{About, Board, Place};
use earmark::record::Purpose;
use earmark_fuzz::PACK;
use libfuzzer_sys::fuzz_target;
use std::io::{Read, Write};
use std::net::{Shutdown, SocketAddr, TcpStream};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{LazyLock, Mutex};
use std::time::Duration;

struct Scene {
    board: Mutex<Board>,
    address: SocketAddr,
    act: String,
    run: String,
}

/// Each act is another one.
static ACTS: AtomicU64 = AtomicU64::new(0);

static SCENE: LazyLock<Scene> = LazyLock::new(|| {
    let place = Place::new("127.0.0.1:0".parse().expect("an address"), false, None).expect("a place");
    let about = About::new(&PACK, Purpose::Demo);
    let run = about.run.clone();
    let board = Board::open(place, about).expect("a board");
    let act = board.place().scribe().split_once('#').expect("a token").1.into();
    Scene { address: board.place().address, act, run, board: Mutex::new(board) }
});

fuzz_target!(|data: &[u8]| {
    let Some((&how, rest)) = data.split_first() else { return };
    let Scene { address, act, run, board } = &*SCENE;
    let id = ACTS.fetch_add(1, Ordering::Relaxed);
    let head = match how % 4 {
        0 => String::new(),
        1 => format!("GET /scribe HTTP/1.1\r\nhost: {address}\r\n"),
        2 => format!(
            "POST /act HTTP/1.1\r\nhost: {address}\r\norigin: http://{address}\r\nauthorization: Bearer {act}\r\n"
        ),
        _ => format!(
            "POST /act HTTP/1.1\r\nhost: {address}\r\norigin: http://{address}\r\nauthorization: Bearer {act}\r\n\
             content-type: application/json\r\nidempotency-key: {run}/{id:032x}\r\nconnection: close\r\n\
             content-length: {}\r\n\r\n",
            rest.len()
        ),
    };
    let mut stream = TcpStream::connect(address).expect("the board is there");
    stream.set_read_timeout(Some(Duration::from_millis(20))).expect("a limit");
    let _ = stream.write_all(&[head.as_bytes(), rest].concat());
    let _ = stream.shutdown(Shutdown::Write);
    let mut answer = Vec::new();
    let mut piece = [0; 4096];
    // An act waits for its answer, which the recorder would give.
    for _ in 0..4 {
        match stream.read(&mut piece) {
            Ok(0) => break,
            Ok(read) => answer.extend(&piece[..read]),
            Err(_) => asked(&mut board.lock().expect("one at a time")),
        }
    }
    let answer = String::from_utf8_lossy(&answer);
    assert!(answer.is_empty() || answer.starts_with("HTTP/1."), "{answer}");
    assert!(!answer.contains(act.as_str()) && !answer.contains("HTTP/1.1 500"), "{answer}");
});

/// Takes what was asked for, so that the next one finds room.
fn asked(board: &mut Board) {
    use std::pin::pin;
    use std::task::{Context, Poll, Waker};
    while let Poll::Ready(asked) = pin!(board.asked()).poll(&mut Context::from_waker(Waker::noop())) {
        drop(asked.into_input(0));
    }
}
