//! Who is in. Each standing has places of its own, so that whoever has no token cannot take those of whoever has one; and
//! in a full one a newcomer takes another's place, so that nobody who was there first keeps all others out.

use std::collections::HashMap;
use std::convert::Infallible;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::oneshot;

/// What is known of a connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Standing {
    /// Its request is not read yet, or asks for what anybody may have at once.
    Stranger,
    /// It looks on without a token.
    Looker,
    /// It has the token of the wall's link.
    Wall,
    /// It has the token of the scribe's link.
    Scribe,
}

impl Standing {
    /// All together stay far below the file handles that a program may have.
    pub const fn places(self) -> usize {
        match self {
            Standing::Stranger => 64,
            Standing::Looker => 16,
            Standing::Wall => 240,
            Standing::Scribe => 32,
        }
    }
}

/// Everybody who is in.
#[derive(Debug, Default)]
pub(super) struct Guests(Mutex<Book>);

#[derive(Debug, Default)]
struct Book {
    next: u64,
    /// In the order in which they came.
    entries: Vec<Entry>,
}

#[derive(Debug)]
struct Entry {
    number: u64,
    from: IpAddr,
    standing: Standing,
    /// Dropped when it has to go.
    _stays: oneshot::Sender<Infallible>,
}

/// Done when a guest has to go.
pub(super) type MustGo = oneshot::Receiver<Infallible>;

/// One connection. Its place is free again when this is dropped.
#[derive(Debug)]
pub(super) struct Guest {
    number: u64,
    guests: Arc<Guests>,
}

impl Guests {
    /// Lets a stranger in.
    pub fn enter(self: &Arc<Guests>, from: IpAddr) -> (Guest, MustGo) {
        let mut book = self.book();
        book.make_room(Standing::Stranger);
        let (_stays, must_go) = oneshot::channel();
        let number = book.next;
        book.next += 1;
        book.entries.push(Entry { number, from, standing: Standing::Stranger, _stays });
        (Guest { number, guests: self.clone() }, must_go)
    }

    fn book(&self) -> MutexGuard<'_, Book> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Guest {
    /// It has shown what it is.
    pub fn becomes(&self, standing: Standing) {
        let mut book = self.guests.book();
        let is_new = |entry: &Entry| entry.number == self.number && entry.standing != standing;
        if book.entries.iter().any(is_new) {
            book.make_room(standing);
        }
        book.entries.iter_mut().filter(|entry| is_new(entry)).for_each(|entry| entry.standing = standing);
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        self.guests.book().entries.retain(|entry| entry.number != self.number);
    }
}

impl Book {
    /// Where all places of a standing are taken, the oldest of the address that has most of them goes.
    fn make_room(&mut self, standing: Standing) {
        let mut held: HashMap<IpAddr, usize> = HashMap::new();
        self.entries
            .iter()
            .filter(|entry| entry.standing == standing)
            .for_each(|e| *held.entry(e.from).or_default() += 1);
        if held.values().sum::<usize>() < standing.places() {
            return;
        }
        let most = held.values().max().copied();
        let goes = |entry: &Entry| entry.standing == standing && held.get(&entry.from).copied() == most;
        if let Some(place) = self.entries.iter().position(goes) {
            self.entries.remove(place);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GREEDY: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 1));
    const OTHER: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 2));

    fn is_in((_, must_go): &mut (Guest, MustGo)) -> bool {
        matches!(must_go.try_recv(), Err(oneshot::error::TryRecvError::Empty))
    }

    #[test]
    fn a_newcomer_takes_the_place_of_the_oldest_of_its_standing() {
        let guests = Arc::new(Guests::default());
        for standing in [Standing::Stranger, Standing::Looker, Standing::Wall, Standing::Scribe] {
            let enter = || {
                let came = guests.enter(GREEDY);
                came.0.becomes(standing);
                came
            };
            let mut all: Vec<_> = (0..standing.places() + 3).map(|_| enter()).collect();
            let stay: Vec<bool> = all.iter_mut().map(is_in).collect();
            assert!(stay[..3].iter().all(|stays| !stays) && stay[3..].iter().all(|stays| *stays), "{standing:?}");
        }
        assert!(guests.book().entries.is_empty(), "they left");
    }

    #[test]
    fn strangers_take_nothing_from_those_who_are_known() {
        let guests = Arc::new(Guests::default());
        let mut scribe = guests.enter(GREEDY);
        scribe.0.becomes(Standing::Scribe);
        let lookers: Vec<_> =
            (0..300).map(|_| guests.enter(GREEDY)).inspect(|(g, _)| g.becomes(Standing::Looker)).collect();
        let strangers: Vec<_> = (0..300).map(|_| guests.enter(GREEDY)).collect();
        assert!(is_in(&mut scribe));
        let places = Standing::Looker.places() + Standing::Stranger.places() + 1;
        assert_eq!(guests.book().entries.len(), places);
        drop((lookers, strangers));
        assert_eq!(guests.book().entries.len(), 1);
    }

    #[test]
    fn who_takes_much_makes_room_for_who_takes_little() {
        let guests = Arc::new(Guests::default());
        let mut early = guests.enter(OTHER);
        let crowd: Vec<_> = (0..300).map(|_| guests.enter(GREEDY)).collect();
        let mut late = guests.enter(OTHER);
        let more: Vec<_> = (0..300).map(|_| guests.enter(GREEDY)).collect();
        assert!(is_in(&mut early) && is_in(&mut late));
        drop((crowd, more));
    }
}
