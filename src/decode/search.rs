//! The search itself: token passing with several tokens a place, kept apart by meaning.

use super::emissions::Emissions;
use super::network::{ArcId, Network, NodeId};

/// How the search weighs and prunes.
#[derive(Debug, Clone, Copy)]
pub struct Weights {
    /// What the filler pays for each phone it swallows, nats.
    pub filler_per_phone: f32,
    /// Places this far below the best are dropped, nats.
    pub beam: f32,
    /// What each frame costs in which nothing is heard within a call-out, nats: nobody waits for long between two words.
    pub wait: f32,
    /// What it costs that no boundary is heard between two words, nats; `None`: it must be heard.
    pub unheard_boundary: Option<f32>,
    /// Where there is one call-out: what it costs at most that a phone follows within [`ATTACHED`] frames and without a
    /// boundary, nats. A boundary costs what it is less likely than the free path: "thirty" is not the beginning of
    /// "thirteen".
    pub glued: f32,
    /// What each call-out costs, nats: one that explains the sound is better than two.
    pub per_call_out: f32,
    /// Whether there may be any number of call-outs, or must be exactly one.
    pub calls: Calls,
}

/// How many call-outs a stretch of audio may hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Calls {
    AnyNumber,
    ExactlyOne,
}

/// A path through the network from the first frame to the last.
#[derive(Debug, Clone, PartialEq)]
pub struct Path {
    /// Nats relative to the free path, at most 0.
    pub score: f32,
    pub calls: Vec<Call>,
}

/// One call-out on a path.
#[derive(Debug, Clone, PartialEq)]
pub struct Call {
    pub words: Vec<Step>,
}

/// One word on a path. Frames are counted from the start of the emissions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    pub arc: ArcId,
    /// Frame in which the first phone begins.
    pub from: usize,
    /// Frame after the last one that belongs to the word (or the silence after it).
    pub to: usize,
    /// Path score when the word began and ended, nats.
    pub score_from: f32,
    pub score_to: f32,
}

/// No more places than this, the best ones, are followed on from a frame: where the sound is like nothing, such as many people
/// talking at once, the beam alone would keep nearly all.
const MOST_PLACES: usize = 1200;
/// A phone so many frames behind a call-out (100 ms) is none of its last word's.
pub const ATTACHED: usize = 5;
const NONE: u32 = u32::MAX;
const LOST: f32 = f32::NEG_INFINITY;

/// A hypothesis at one place. Its word history is a chain in the arena.
#[derive(Debug, Clone, Copy)]
struct Token {
    score: f32,
    history: u32,
    from: u32,
    score_from: f32,
}

const NO_TOKEN: Token = Token { score: LOST, history: NONE, from: 0, score_from: 0.0 };

struct Past {
    before: u32,
    step: Step,
    /// The call-out ends with this word.
    ends: bool,
    key: u64,
}

/// Best `K` tokens with different meanings so far, best first.
#[derive(Debug, Clone, Copy)]
struct Slot<const K: usize>([Token; K]);

impl<const K: usize> Slot<K> {
    const EMPTY: Self = Slot([NO_TOKEN; K]);

    fn best(&self) -> f32 {
        self.0[0].score
    }

    fn offer(&mut self, token: Token, arena: &[Past]) {
        if token.score <= self.0[K - 1].score {
            return;
        }
        let key = |t: &Token| if t.history == NONE { 0 } else { arena[t.history as usize].key };
        let mine = key(&token);
        let mut at = K - 1;
        if K > 1 {
            for k in 0..K {
                if self.0[k].score > LOST && key(&self.0[k]) == mine {
                    if self.0[k].score >= token.score {
                        return;
                    }
                    at = k;
                    break;
                }
            }
        }
        self.0[at] = token;
        while at > 0 && self.0[at - 1].score < self.0[at].score {
            self.0.swap(at - 1, at);
            at -= 1;
        }
    }

    fn offer_all(&mut self, tokens: &Slot<K>, extra: f32, arena: &[Past]) {
        for token in tokens.0.iter().take_while(|t| t.score > LOST) {
            self.offer(Token { score: token.score + extra, ..*token }, arena);
        }
    }
}

/// In a phone, or in the blank after it.
#[derive(Clone, Copy)]
struct Place<const K: usize> {
    phone: Slot<K>,
    blank: Slot<K>,
}

impl<const K: usize> Place<K> {
    const EMPTY: Self = Place { phone: Slot::EMPTY, blank: Slot::EMPTY };

    fn best(&self) -> f32 {
        self.phone.best().max(self.blank.best())
    }

    /// Without the tokens below `floor`.
    fn above(mut self, floor: f32) -> Self {
        for token in self.phone.0.iter_mut().chain(&mut self.blank.0).filter(|token| token.score < floor) {
            *token = NO_TOKEN;
        }
        self
    }
}

/// Places that hold tokens in one frame.
struct Layer<const K: usize> {
    places: Vec<Place<K>>,
    active: Vec<NodeId>,
    is_active: Vec<bool>,
}

impl<const K: usize> Layer<K> {
    fn new(size: usize) -> Self {
        Layer { places: vec![Place::EMPTY; size], active: vec![], is_active: vec![false; size] }
    }

    fn at(&mut self, node: NodeId) -> &mut Place<K> {
        if !std::mem::replace(&mut self.is_active[node as usize], true) {
            self.active.push(node);
        }
        &mut self.places[node as usize]
    }

    fn clear(&mut self) {
        for node in self.active.drain(..) {
            self.places[node as usize] = Place::EMPTY;
            self.is_active[node as usize] = false;
        }
    }
}

/// The best paths with different meanings, best first, at most `K`.
pub fn search<const K: usize>(network: &Network, emissions: &Emissions, weights: Weights) -> Vec<Path> {
    Run::<K>::through(network, emissions, weights).finish()
}

/// The words of the call-out that the best path is in at the end, those whole so far; empty if it is in none.
pub fn unfinished(network: &Network, emissions: &Emissions, weights: Weights) -> Vec<ArcId> {
    Run::<1>::through(network, emissions, weights).unfinished()
}

struct Run<'a, const K: usize> {
    network: &'a Network,
    emissions: &'a Emissions,
    weights: Weights,
    arena: Vec<Past>,
    now: Layer<K>,
    next: Layer<K>,
    /// Filler before a call-out: where one may begin.
    before: Slot<K>,
    /// The only call-out, when exactly one is wanted, has ended so many frames ago, without a phone or a boundary since.
    ended: [Slot<K>; ATTACHED],
    /// Filler after it.
    after: Slot<K>,
    /// Kept for [`Run::crowded`].
    scores: Vec<f32>,
}

impl<'a, const K: usize> Run<'a, K> {
    fn through(network: &'a Network, emissions: &'a Emissions, weights: Weights) -> Self {
        let layer = || Layer::new(network.nodes.len());
        let (now, next) = (layer(), layer());
        let (arena, scores) = (Vec::new(), Vec::new());
        let (before, ended, after) = (Slot::EMPTY, [Slot::EMPTY; ATTACHED], Slot::EMPTY);
        let mut run = Run { network, emissions, weights, arena, now, next, before, ended, after, scores };
        run.before.0[0] = Token { score: 0.0, ..NO_TOKEN };
        for frame in 0..emissions.frames() {
            run.step(frame);
        }
        run
    }

    fn step(&mut self, frame: usize) {
        let best = self
            .now
            .active
            .iter()
            .map(|n| self.now.places[*n as usize].best())
            .chain(self.ended.iter().map(Slot::best))
            .fold(self.before.best().max(self.after.best()), f32::max);
        let floor = (best - self.weights.beam).max(self.crowded());
        let mut ended = Slot::EMPTY;
        for k in 0..self.now.active.len() {
            let node = self.now.active[k];
            let place = self.now.places[node as usize];
            if place.best() >= floor {
                self.leave(frame, node, &place.above(floor), &mut ended);
            }
        }
        // Call-outs begin where the filler stands.
        for &root in &self.network.states[0].roots {
            self.enter(frame, root, &self.before.clone());
        }
        let begins_phone = self.emissions.begins_phone[frame];
        let swallow = if begins_phone { -self.weights.filler_per_phone } else { 0.0 };
        let mut before = Slot::EMPTY;
        let mut after = Slot::EMPTY;
        before.offer_all(&self.before, swallow, &self.arena);
        after.offer_all(&self.after, swallow, &self.arena);
        match self.weights.calls {
            Calls::AnyNumber => before.offer_all(&ended, swallow, &self.arena),
            Calls::ExactlyOne => {
                after.offer_all(&self.ended[ATTACHED - 1], swallow, &self.arena);
                self.ended.rotate_right(1);
                self.ended[0] = ended;
                let boundary = self.emissions.boundary(frame);
                let price = if begins_phone { swallow - self.weights.glued } else { boundary };
                self.ended.iter().for_each(|slot| after.offer_all(slot, price, &self.arena));
                if begins_phone {
                    self.ended.fill(Slot::EMPTY);
                }
            }
        }
        (self.before, self.after) = (before, after);
        self.now.clear();
        std::mem::swap(&mut self.now, &mut self.next);
    }

    /// The score below which there are too many places.
    fn crowded(&mut self) -> f32 {
        let Some(beyond) = self.now.active.len().checked_sub(MOST_PLACES).filter(|beyond| *beyond > 0) else {
            return LOST;
        };
        self.scores.clear();
        self.scores.extend(self.now.active.iter().map(|node| self.now.places[*node as usize].best()));
        *self.scores.select_nth_unstable_by(beyond, f32::total_cmp).1
    }

    /// Everything that a place leads to in the next frame.
    fn leave(&mut self, frame: usize, node: NodeId, place: &Place<K>, ended: &mut Slot<K>) {
        let network = self.network;
        let info = &network.nodes[node as usize];
        let phone = self.emissions.relative(frame, info.class);
        let blank = self.emissions.blank(frame) - self.weights.wait;
        let arena = &self.arena;
        let stay = self.next.at(node);
        stay.phone.offer_all(&place.phone, phone, arena);
        stay.blank.offer_all(&place.phone, blank, arena);
        stay.blank.offer_all(&place.blank, blank, arena);
        for &child in &info.children {
            let to = &network.nodes[child as usize];
            let score = self.emissions.relative(frame, to.class);
            let mut from = place.blank;
            if to.class != info.class {
                from.offer_all(&place.phone, 0.0, &self.arena);
            }
            self.arrive(frame, child, to.first, &from, score);
        }
        if info.ends.is_empty() {
            return;
        }
        // The boundary and the filler may follow either half of the place.
        let mut from = place.blank;
        from.offer_all(&place.phone, 0.0, &self.arena);
        for &arc in &info.ends {
            let to = &network.states[network.arcs[arc as usize].to as usize];
            if to.is_final {
                let closed = self.word_ends(frame, arc, &from, true);
                ended.offer_all(&closed, 0.0, &self.arena);
            }
            let Some(boundary) = to.boundary else { continue };
            let open = self.word_ends(frame, arc, &from, false);
            let score = self.emissions.relative(frame, network.nodes[boundary as usize].class);
            self.arrive(frame, boundary, false, &open, score);
            if let Some(cost) = self.weights.unheard_boundary {
                for &root in &to.roots {
                    let class = network.nodes[root as usize].class;
                    // The same phone twice needs a blank between, or it would be one.
                    let open = if class == info.class { self.word_ends(frame, arc, &place.blank, false) } else { open };
                    self.arrive(frame, root, true, &open, self.emissions.relative(frame, class) - cost);
                }
            }
        }
    }

    fn enter(&mut self, frame: usize, root: NodeId, from: &Slot<K>) {
        let class = self.network.nodes[root as usize].class;
        let score = self.emissions.relative(frame, class);
        if score > -self.weights.beam {
            self.arrive(frame, root, true, from, score - self.weights.per_call_out);
        }
    }

    fn arrive(&mut self, frame: usize, node: NodeId, first: bool, from: &Slot<K>, score: f32) {
        if from.best() == LOST {
            return;
        }
        let place = self.next.at(node);
        for token in from.0.iter().take_while(|t| t.score > LOST) {
            let mut token = *token;
            if first {
                (token.from, token.score_from) = (frame as u32, token.score);
            }
            token.score += score;
            place.phone.offer(token, &self.arena);
        }
    }

    /// Tokens that have finished the word of `arc`, with the word in their history.
    fn word_ends(&mut self, frame: usize, arc: ArcId, tokens: &Slot<K>, ends: bool) -> Slot<K> {
        let info = &self.network.arcs[arc as usize];
        let mut out = *tokens;
        for token in out.0.iter_mut().take_while(|t| t.score > LOST) {
            token.score += info.score;
            let before = token.history;
            let key = if before == NONE { 0 } else { self.arena[before as usize].key };
            // Which word carries an output makes no other meaning. A call-out's end also counts, so
            // that two call-outs differ from one.
            let key = info
                .keys
                .iter()
                .chain(ends.then_some(&1))
                .fold(key, |a, b| (a ^ b).wrapping_mul(0x9e37_79b9_7f4a_7c15).rotate_left(23));
            token.history = self.arena.len() as u32;
            let step =
                Step { arc, from: token.from as usize, to: frame, score_from: token.score_from, score_to: token.score };
            self.arena.push(Past { before, step, ends, key });
        }
        out
    }

    fn unfinished(&self) -> Vec<ArcId> {
        let inside = self.now.active.iter().map(|node| {
            let place = &self.now.places[*node as usize];
            if place.phone.best() > place.blank.best() { place.phone.0[0] } else { place.blank.0[0] }
        });
        let outside = [self.before.0[0], self.after.0[0]];
        let best = inside.chain(outside).fold(NO_TOKEN, |a, b| if b.score > a.score { b } else { a });
        let mut words = Vec::new();
        let mut at = best.history;
        while at != NONE && !self.arena[at as usize].ends {
            words.push(self.arena[at as usize].step.arc);
            at = self.arena[at as usize].before;
        }
        words.reverse();
        words
    }

    fn finish(mut self) -> Vec<Path> {
        let frames = self.emissions.frames();
        let mut last: Slot<K> = match self.weights.calls {
            Calls::AnyNumber => self.before,
            Calls::ExactlyOne => self.after,
        };
        self.ended.iter().for_each(|slot| last.offer_all(slot, 0.0, &self.arena));
        for node in std::mem::take(&mut self.now.active) {
            let place = self.now.places[node as usize];
            let mut from = place.blank;
            from.offer_all(&place.phone, 0.0, &self.arena);
            for &arc in &self.network.nodes[node as usize].ends {
                if self.network.states[self.network.arcs[arc as usize].to as usize].is_final {
                    let closed = self.word_ends(frames, arc, &from, true);
                    last.offer_all(&closed, 0.0, &self.arena);
                }
            }
        }
        let arena = &self.arena;
        last.0.iter().take_while(|t| t.score > LOST).map(|token| trace(token, arena)).collect()
    }
}

fn trace(token: &Token, arena: &[Past]) -> Path {
    let mut calls: Vec<Call> = Vec::new();
    let mut at = token.history;
    while at != NONE {
        let past = &arena[at as usize];
        if past.ends {
            calls.push(Call { words: vec![] });
        }
        if let Some(call) = calls.last_mut() {
            call.words.push(past.step);
        }
        at = past.before;
    }
    calls.reverse();
    for call in &mut calls {
        call.words.reverse();
    }
    Path { score: token.score, calls }
}
