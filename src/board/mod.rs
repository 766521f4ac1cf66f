//! The board: a page for the wall and one for the scribe, served to browsers. It is given snapshots and hands back
//! acts; it decides nothing, and the daemon never waits for it.

mod ask;
mod frame;
mod guard;
mod guests;
mod place;
mod server;

pub use ask::{Answer, Asked, Reply};
pub use frame::{About, Snapshot, Target};
pub use place::{Place, PlaceError, address};

use frame::Frame;
use server::Desk;
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use tokio::net::TcpSocket;
use tokio::sync::{mpsc, oneshot, watch};

/// Acts that may wait for the daemon; more are refused.
const WAITING_ACTS: usize = 8;
/// Connections that may wait to be taken: enough that a burst of strangers does not make a page wait for its next try.
const BACKLOG: u32 = 1024;
/// Bytes that the system keeps for a client that does not take them.
const SEND_BUFFER: u32 = 128 << 10;

/// What can keep the board from opening.
#[derive(Debug, thiserror::Error)]
pub enum BoardError {
    #[error("the board cannot listen on {address}: {why}. Give another address or port with --board")]
    Listen { address: SocketAddr, why: io::Error },
    #[error("the board's thread cannot start: {0}")]
    Thread(io::Error),
}

/// An open board, seen from the daemon. The server runs on a thread of its own and ends with this.
pub struct Board {
    place: Place,
    snapshots: watch::Sender<Option<Arc<Snapshot>>>,
    asked: mpsc::Receiver<Asked>,
    watching: Arc<AtomicUsize>,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Board {
    /// Listens at a place. Port 0 is any that is free.
    pub fn open(place: Place, about: About) -> Result<Board, BoardError> {
        let address = place.address;
        let failed = |why| BoardError::Listen { address, why };
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(BoardError::Thread)?;
        let listener = {
            let _inside = runtime.enter();
            let socket = if address.is_ipv4() { TcpSocket::new_v4() } else { TcpSocket::new_v6() }.map_err(failed)?;
            // A restart need not wait for the last connections to be forgotten.
            socket.set_reuseaddr(true).map_err(failed)?;
            socket.set_send_buffer_size(SEND_BUFFER).map_err(failed)?;
            socket.bind(address).map_err(failed)?;
            socket.listen(BACKLOG).map_err(failed)?
        };
        let place = place.at(listener.local_addr().map_err(failed)?);
        let (snapshots, to_press) = watch::channel(None);
        let (pressed, frames) = watch::channel(Arc::new(Frame::none()));
        let (ask, asked) = mpsc::channel(WAITING_ACTS);
        let (stop, stopped) = oneshot::channel();
        let watching = Arc::new(AtomicUsize::new(0));
        let desk = Desk {
            place: Arc::new(place.clone()),
            run: about.run.as_str().into(),
            frames,
            asked: ask,
            recent: Arc::default(),
            watching: watching.clone(),
        };
        let serve = async move {
            tokio::spawn(server::press(about, to_press, pressed));
            server::serve(listener, desk, stopped).await;
        };
        let thread = std::thread::Builder::new().name("board".into());
        let thread = thread.spawn(move || runtime.block_on(serve)).map_err(BoardError::Thread)?;
        Ok(Board { place, snapshots, asked, watching, stop: Some(stop), thread: Some(thread) })
    }

    /// Where it is, with the links to it.
    pub fn place(&self) -> &Place {
        &self.place
    }

    /// Shows how things stand. Call it on every tick, also if nothing changed: it is the pages' heartbeat.
    pub fn show(&self, snapshot: Snapshot) {
        self.snapshots.send_replace(Some(Arc::new(snapshot)));
    }

    /// Whether anybody looks on.
    pub fn is_watched(&self) -> bool {
        self.watching.load(Ordering::Relaxed) > 0
    }

    /// The next act that a scribe asks for; never, once the server is gone.
    pub async fn asked(&mut self) -> Asked {
        match self.asked.recv().await {
            Some(asked) => asked,
            None => std::future::pending().await,
        }
    }

    /// Shows why the recording has ended, and closes.
    pub fn close(self, why: &str) {
        let last = self.snapshots.borrow().clone();
        if let Some(last) = last {
            self.show(Snapshot { ended: Some(why.into()), so_far: String::new(), ..Snapshot::clone(&last) });
        }
    }
}

impl Drop for Board {
    fn drop(&mut self) {
        // The pages' streams end with the snapshots.
        self.snapshots = watch::channel(None).0;
        if let Some(stop) = self.stop.take() {
            let _ = stop.send(());
        }
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
