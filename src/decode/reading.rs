//! From a stretch of audio to readings: find call-outs, then weigh each against its rivals.

use super::align;
use super::confidence::Measures;
use super::emissions::{Class, Emissions};
use super::forward::Forward;
use super::network::Network;
use super::search::{self, Call, Calls, Path, Step, Weights};
use crate::grammar::decoys::Decoys;
use crate::grammar::graph::{Graph, WordId};
use crate::grammar::meaning::{self, Understood};
use crate::hypothesis::{Alternative, Hypothesis, Word};
use std::ops::Deref;
use std::ops::Range;

/// Milliseconds in a frame of the acoustic model.
pub const FRAME_MS: i64 = 20;
/// The model's first phone comes this much after the sound begins (measured on development voices).
const ONSET_LAG_MS: i64 = 52;
/// Set on the development set: the price of a phone that no call-out explains, of a boundary that is not heard between two
/// words, of a frame of waiting within a call-out, of more phones right behind a call-out's end, of each call-out, and how
/// far behind the best a path may fall, nats.
const FILLER_PER_PHONE: f32 = 4.0;
const UNHEARD_BOUNDARY: f32 = 0.3;
const WAIT: f32 = 0.06;
const GLUED: f32 = 4.0;
const PER_CALL_OUT: f32 = 1.0;
const BEAM: f32 = 20.0;
/// Frames before a call-out, and behind it, that are looked at again when it is weighed. There is room for what makes
/// it another: "has not been" before it, or "point eight" behind "thirty six".
const BEFORE: usize = 35;
const BEHIND: usize = 30;
/// By so many frames a call-out may reach further than at first, and is not looked at again for that.
const SLACK: usize = 5;
/// Frames beside a call-out in which other speech speaks against it: 200 ms.
const NEAR: usize = 10;
/// Behind a call-out that may go on, so many phones in so many frames (400 ms) are speech that may belong to it.
const SPEECH: usize = 2;
const FOLLOWING: usize = 20;
/// A decoy can only make a call-out less sure: none is looked for beside one that is less sure than this.
const UNLIKELY: f32 = 0.1;
/// How many meanings are kept apart when a call-out is weighed.
const MEANINGS: usize = 6;
/// Nats to a rival where there is none.
const NO_RIVAL: f32 = 255.0;

/// A hypothesis, with what it was weighed by.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    pub hypothesis: Hypothesis,
    pub measures: Measures,
}

impl Deref for Reading {
    type Target = Hypothesis;

    fn deref(&self) -> &Hypothesis {
        &self.hypothesis
    }
}

/// A sentence that may have been said.
struct Candidate<'n> {
    understood: Understood,
    network: &'n Network,
    /// Where it lies by its best path.
    call: Call,
    /// Nats relative to the free path, over all paths.
    score: f32,
}

impl Candidate<'_> {
    fn is_decoy(&self) -> bool {
        self.understood == Understood::Decoy
    }

    fn word(&self, step: &Step) -> WordId {
        self.network.arcs[step.arc as usize].word
    }

    fn words(&self) -> impl Iterator<Item = WordId> {
        self.call.words.iter().map(|step| self.word(step))
    }
}

/// The search over one pack's grammar.
#[derive(Debug)]
pub struct Decoder {
    network: Network,
    decoys: Decoys,
    /// The ways to say each word of the decoys, in classes.
    ways: Vec<Vec<Vec<Class>>>,
    boundary: Class,
    find: Weights,
    weigh: Weights,
}

impl Decoder {
    /// `ways[word]` are the ways to say each of the decoys' words, in classes.
    pub fn new(graph: &Graph, decoys: &Decoys, ways: Vec<Vec<Vec<Class>>>, boundary: Class) -> Decoder {
        let find = Weights {
            filler_per_phone: FILLER_PER_PHONE,
            beam: BEAM,
            wait: WAIT,
            unheard_boundary: Some(UNHEARD_BOUNDARY),
            glued: GLUED,
            per_call_out: PER_CALL_OUT,
            calls: Calls::AnyNumber,
        };
        Decoder {
            network: Network::new(graph, &ways, boundary),
            decoys: decoys.clone(),
            ways,
            boundary,
            find,
            weigh: Weights { beam: 1.5 * BEAM, per_call_out: 0.0, calls: Calls::ExactlyOne, ..find },
        }
    }

    /// Phone places in the network, a measure of its size.
    pub fn size(&self) -> usize {
        self.network.size()
    }

    /// Every call-out in the audio, in order. Refused ones are left out only when nothing fits at all.
    pub fn read(&self, emissions: &Emissions) -> Vec<Reading> {
        let found = search::search::<1>(&self.network, emissions, self.find);
        let calls = found.first().map_or(&[][..], |path| &path.calls);
        let stretch = |call: &Call, floor: usize, ceiling: usize| {
            let mut place = start(call)..end(call);
            loop {
                let from = place.start.saturating_sub(BEFORE).max(floor);
                let part = emissions.slice(from, (place.end + BEHIND).min(ceiling));
                let paths = self.call_outs(&part, from, &place);
                let best = &paths.first()?.calls[0];
                let found = start(best) + from..end(best) + from;
                // It may reach further than what was found first: then so does what is beside it.
                if found.start + SLACK >= place.start && found.end <= place.end + SLACK {
                    return self.weigh(&part, from, paths);
                }
                place = found.start.min(place.start)..found.end.max(place.end);
            }
        };
        let hardly = |reading: &Option<Reading>| reading.as_ref().is_none_or(|r| r.confidence < UNLIKELY);
        let mut ceilings = vec![emissions.frames(); calls.len()];
        let mut readings: Vec<Option<Reading>> = vec![None; calls.len()];
        for (k, call) in calls.iter().enumerate().rev() {
            let floor = if k == 0 { 0 } else { end(&calls[k - 1]) };
            readings[k] = stretch(call, floor, ceilings[k]);
            // What is hardly a call-out may be the end of the one before it.
            let ceiling = if hardly(&readings[k]) { ceilings[k] } else { start(call) };
            ceilings[..k].fill(ceiling);
        }
        // As well it may be the beginning of the one behind it, as "baby is not" of "baby is not gasping".
        let mut floor = 0;
        for (k, call) in calls.iter().enumerate() {
            if !hardly(&readings[k]) {
                let hidden = |before: &Call| floor < end(before) && start(call) < end(before) + BEFORE;
                if k > 0 && hardly(&readings[k - 1]) && hidden(&calls[k - 1]) {
                    readings[k] = stretch(call, floor, ceilings[k]);
                }
                floor = end(call);
            }
        }
        readings.into_iter().flatten().collect()
    }

    /// The words so far of a call-out that is being said when the audio ends; empty if none is.
    pub fn so_far(&self, emissions: &Emissions) -> String {
        let words = search::unfinished(&self.network, emissions, self.find);
        words.into_iter().map(|arc| self.network.word(arc)).collect::<Vec<_>>().join(" ")
    }

    /// The best call-outs, one a path, at a `place` in a short stretch that begins at frame `offset`.
    fn call_outs(&self, emissions: &Emissions, offset: usize, place: &Range<usize>) -> Vec<Path> {
        let is_there = |call: &Call| start(call) + offset < place.end && end(call) + offset > place.start;
        let mut paths = search::search::<MEANINGS>(&self.network, emissions, self.weigh);
        paths.retain(|path| {
            path.calls.first().is_some_and(|call| is_there(call) && understand(&self.network, call).is_some())
        });
        paths
    }

    /// The best of them with its best rival. Where a decoy fits better, it is the rival.
    fn weigh(&self, emissions: &Emissions, offset: usize, paths: Vec<Path>) -> Option<Reading> {
        let forward = Forward::new(emissions, self.weigh);
        let mut call_outs: Vec<Candidate> =
            paths.into_iter().filter_map(|path| self.candidate(&self.network, path, &forward)).collect();
        call_outs.sort_by(|a, b| b.score.total_cmp(&a.score));
        let lead = self.measure(call_outs.first()?, emissions);
        let near = (lead.confidence() >= UNLIKELY).then(|| self.near(&call_outs)).flatten();
        let decoy = near.as_ref().and_then(|near| {
            let found = search::search::<1>(near, emissions, self.weigh);
            self.candidate(near, found.into_iter().next()?, &forward)
        });
        let at = call_outs.iter().position(|candidate| !candidate.is_decoy()).unwrap_or(0);
        let best = call_outs.remove(at);
        let rivals = || call_outs.iter().chain(&decoy).filter(|other| other.understood != best.understood);
        let nearest = |decoy: bool| {
            let of_kind = rivals().filter(|rival| rival.is_decoy() == decoy);
            of_kind.map(|rival| best.score - rival.score).fold(NO_RIVAL, f32::min)
        };
        let rival = rivals().max_by(|a, b| a.score.total_cmp(&b.score));
        let phones = self.phones(&best);
        let measures = Measures {
            margin: nearest(false),
            over_decoy: nearest(true),
            apart: rival.map_or(0, |rival| strsim::generic_levenshtein(&phones, &self.phones(rival))) as f32,
            ..if at == 0 { lead } else { self.measure(&best, emissions) }
        };
        let frame_ms = |frame: usize| (frame + offset) as i64 * FRAME_MS;
        let words = |candidate: &Candidate| {
            let word = |step: &Step| Word {
                text: candidate.network.word(step.arc).to_string(),
                from_ms: (frame_ms(step.from) - ONSET_LAG_MS).max(0),
                to_ms: (frame_ms(step.to) - ONSET_LAG_MS).max(0),
            };
            candidate.call.words.iter().map(word).collect::<Vec<_>>()
        };
        let ends = end(&best.call);
        let may_go_on = self.network.goes_on(best.words(), |a, b| self.is_longer(a, b));
        let hypothesis = Hypothesis {
            words: words(&best),
            onset_ms: (frame_ms(start(&best.call)) - ONSET_LAG_MS).max(0),
            end_ms: frame_ms(ends),
            confidence: measures.confidence(),
            alternative: rival.map(|rival| Alternative {
                understood: rival.understood.clone(),
                words: words(rival),
                probability: measures.rival_probability(rival.is_decoy()),
            }),
            may_go_on,
            unfinished: may_go_on && emissions.phones_begun(ends..ends + FOLLOWING) >= SPEECH,
            understood: best.understood,
            disputed: false,
        };
        Some(Reading { hypothesis, measures })
    }

    /// A path's only call-out, if it means something.
    fn candidate<'n>(&self, network: &'n Network, path: Path, forward: &Forward) -> Option<Candidate<'n>> {
        let call = path.calls.into_iter().next()?;
        let arcs = || call.words.iter().map(|step| &network.arcs[step.arc as usize]);
        let ways: Vec<&[Vec<Class>]> = arcs().map(|arc| self.ways[arc.word as usize].as_slice()).collect();
        let score = forward.score(&ways) + arcs().map(|arc| arc.score).sum::<f32>();
        Some(Candidate { understood: understand(network, &call)?, network, call, score })
    }

    /// Whether a word can be what another one becomes when it is said on.
    fn is_longer(&self, word: WordId, other: WordId) -> bool {
        let ways = |word: WordId| &self.ways[word as usize];
        let begins = |long: &Vec<Class>| ways(other).iter().any(|way| way.len() < long.len() && long.starts_with(way));
        ways(word).iter().any(begins)
    }

    /// Words of a call-out, in phones.
    fn phones(&self, candidate: &Candidate) -> Vec<Class> {
        candidate.words().flat_map(|word| &self.ways[word as usize][0]).copied().collect()
    }

    /// The decoys of some call-outs; `None` where they would be too many.
    fn near(&self, call_outs: &[Candidate]) -> Option<Network> {
        let words: Vec<Vec<WordId>> = call_outs.iter().map(|candidate| candidate.words().collect()).collect();
        let decoys = self.decoys.of(words.iter().map(Vec::as_slice)).ok()?;
        Some(Network::new(&decoys, &self.ways, self.boundary))
    }

    /// All that is measured of a candidate by itself.
    fn measure(&self, candidate: &Candidate, emissions: &Emissions) -> Measures {
        let Candidate { call, score, .. } = candidate;
        let ways = |step: &Step| self.ways[candidate.word(step) as usize].as_slice();
        let phones = |step: &Step| ways(step)[0].len() as f32;
        let total: f32 = call.words.iter().map(phones).sum();
        let (from, to) = (start(call), end(call));
        let cost = call.words[0].score_from - call.words[call.words.len() - 1].score_to;
        let free: f32 = emissions.free[from..to].iter().sum();
        let begun = |from: usize, to: usize| emissions.phones_begun(from..to) as f32;
        let worst = |costs: &mut dyn Iterator<Item = f32>| costs.fold(0.0, f32::max);
        Measures {
            gap: cost / total,
            worst_word: worst(&mut call.words.iter().map(|step| (step.score_from - step.score_to) / phones(step))),
            worst_phone: worst(
                &mut call.words.iter().map(|step| align::worst_phone(emissions, step.from..step.to, ways(step))),
            ),
            absolute: (free - cost) / total,
            gain: begun(0, emissions.frames()) * self.find.filler_per_phone + score,
            margin: NO_RIVAL,
            over_decoy: NO_RIVAL,
            apart: 0.0,
            phones: total,
            pace: (to - from) as f32 / total,
            clarity: free / (to - from).max(1) as f32,
            heard: begun(from, to) / total,
            before: begun(from.saturating_sub(NEAR), from),
            after: begun(to, to + NEAR),
        }
    }
}

fn understand(network: &Network, call: &Call) -> Option<Understood> {
    meaning::compose(call.words.iter().flat_map(|step| &network.arcs[step.arc as usize].outputs))
}

fn start(call: &Call) -> usize {
    call.words[0].from
}

fn end(call: &Call) -> usize {
    call.words[call.words.len() - 1].to
}
