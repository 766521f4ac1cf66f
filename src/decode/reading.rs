//! From a stretch of audio to readings: find call-outs, then weigh each against its rivals.

use super::align;
use super::confidence::{Measures, Opinions};
use super::emissions::{Class, Emissions};
use super::network::Network;
use super::search::{self, Call, Calls, Path, Step, Weights};
use crate::grammar::decoys::Decoys;
use crate::grammar::graph::{Graph, WordId};
use crate::grammar::meaning::{self, Understood};
use crate::hypothesis::{Alternative, Hypothesis, Word};
use std::borrow::Borrow;
use std::ops::Deref;
use std::ops::Range;

/// Milliseconds in a frame of the acoustic model.
pub const FRAME_MS: i64 = 20;
/// The model's first phone comes this much after the sound begins (measured on development voices).
const ONSET_LAG_MS: i64 = 65;
/// Set on the development set: the price of a phone that no call-out explains, of a boundary that is
/// not heard between two words, of more phones right behind a call-out's end, and how far behind the best a path may
/// fall, nats.
const FILLER_PER_PHONE: f32 = 4.0;
const UNHEARD_BOUNDARY: f32 = 0.3;
const GLUED: f32 = 4.0;
const BEAM: f32 = 20.0;
/// Frames before a call-out, and behind it, that are looked at again when it is weighed. There is room for what makes
/// it another: "has not been" before it, or "point eight" behind "thirty six".
const BEFORE: usize = 35;
const BEHIND: usize = 30;
/// By so many frames a call-out may reach further than at first, and is not looked at again for that.
const SLACK: usize = 5;
/// Frames beside a call-out in which other speech speaks against it: 200 ms.
const NEAR: usize = 10;
/// A decoy can only make a call-out less sure: none is looked for beside one that is less sure than this.
const UNLIKELY: f32 = 0.1;
/// How many meanings are kept apart when a call-out is weighed.
const MEANINGS: usize = 6;

/// A hypothesis, with what it was weighed by.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    pub hypothesis: Hypothesis,
    pub measures: Measures,
    /// What each training of the model makes of it, where two were asked.
    pub opinions: Option<Opinions>,
}

impl Deref for Reading {
    type Target = Hypothesis;

    fn deref(&self) -> &Hypothesis {
        &self.hypothesis
    }
}

impl Borrow<Hypothesis> for Reading {
    fn borrow(&self) -> &Hypothesis {
        &self.hypothesis
    }
}

impl Reading {
    /// One for the tests: these words, which mean an event of that name.
    #[cfg(test)]
    pub fn said(words: &str, onset_ms: i64, end_ms: i64, confidence: f32) -> Reading {
        let hypothesis = Hypothesis::said(words, onset_ms, end_ms, confidence);
        Reading { hypothesis, measures: Measures::default(), opinions: None }
    }
}

/// A path through a network, and what it means.
type Candidate<'n> = (Understood, &'n Network, Path);

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
    /// `pronunciations[word]` are the ways to say each of the decoys' words, in classes.
    pub fn new(graph: &Graph, decoys: &Decoys, pronunciations: Vec<Vec<Vec<Class>>>, boundary: Class) -> Decoder {
        let find = Weights {
            filler_per_phone: FILLER_PER_PHONE,
            beam: BEAM,
            unheard_boundary: Some(UNHEARD_BOUNDARY),
            glued: GLUED,
            calls: Calls::AnyNumber,
        };
        Decoder {
            network: Network::new(graph, &pronunciations, boundary),
            decoys: decoys.clone(),
            ways: pronunciations,
            boundary,
            find,
            weigh: Weights { beam: 1.5 * BEAM, calls: Calls::ExactlyOne, ..find },
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

    /// The best of them with its best rival. Where a decoy fits better, it is the rival, and the margin negative.
    fn weigh(&self, emissions: &Emissions, offset: usize, paths: Vec<Path>) -> Option<Reading> {
        let lead = self.measure(&self.network, paths.first()?, emissions, f32::from(u8::MAX));
        let near = (lead.confidence() >= UNLIKELY).then(|| self.near(&paths)).flatten();
        let decoys = near.iter().flat_map(|near| {
            let found = search::search::<1>(near, emissions, self.weigh);
            found.into_iter().map(move |path| (near, path))
        });
        let call_outs = paths.into_iter().map(|path| (&self.network, path));
        let mut found: Vec<Candidate> = call_outs
            .chain(decoys)
            .filter_map(|(network, path)| Some((understand(network, path.calls.first()?)?, network, path)))
            .collect();
        let is_call_out = |(understood, ..): &Candidate| matches!(understood, Understood::CallOut(_));
        let at = found.iter().position(is_call_out).unwrap_or(0);
        let (understood, network, best) = found.remove(at);
        let of_best = if at == 0 { lead } else { self.measure(network, &best, emissions, lead.margin) };
        let call = best.calls.first()?;
        let others = found.into_iter().filter(|(other, ..)| *other != understood);
        let rival = others.min_by(|a, b| b.2.score.total_cmp(&a.2.score));
        let margin = rival.as_ref().map_or(lead.margin, |(.., path)| best.score - path.score);
        let phones = self.phones(network, call);
        let apart = rival.as_ref().and_then(|(_, network, path)| {
            Some(strsim::generic_levenshtein(&phones, &self.phones(network, path.calls.first()?)))
        });
        let measures = Measures { margin, apart: apart.unwrap_or_default() as f32, ..of_best };
        let heard = Opinions::of_one(0, measures.confidence(), &measures, 0.0);
        let frame_ms = |frame: usize| (frame + offset) as i64 * FRAME_MS;
        let words = |network: &Network, call: &Call| {
            let word = |step: &Step| Word {
                text: network.word(step.arc).to_string(),
                from_ms: (frame_ms(step.from) - ONSET_LAG_MS).max(0),
                to_ms: (frame_ms(step.to) - ONSET_LAG_MS).max(0),
            };
            call.words.iter().map(word).collect::<Vec<_>>()
        };
        let hypothesis = Hypothesis {
            understood,
            words: words(network, call),
            onset_ms: (frame_ms(start(call)) - ONSET_LAG_MS).max(0),
            end_ms: frame_ms(end(call)),
            confidence: measures.confidence(),
            alternative: rival.map(|(understood, network, path)| Alternative {
                probability: heard.rival_probability(understood == Understood::Decoy),
                understood,
                words: path.calls.first().map(|call| words(network, call)).unwrap_or_default(),
            }),
            may_go_on: self
                .network
                .goes_on(call.words.iter().map(|step| network.arcs[step.arc as usize].word), |a, b| {
                    self.is_longer(a, b)
                }),
            disputed: false,
        };
        Some(Reading { hypothesis, measures, opinions: None })
    }

    /// Whether a word can be what another one becomes when it is said on.
    fn is_longer(&self, word: WordId, other: WordId) -> bool {
        let ways = |word: WordId| &self.ways[word as usize];
        let begins = |long: &Vec<Class>| ways(other).iter().any(|way| way.len() < long.len() && long.starts_with(way));
        ways(word).iter().any(begins)
    }

    /// Words of a call-out, in phones.
    fn phones(&self, network: &Network, call: &Call) -> Vec<Class> {
        let words = call.words.iter().map(|step| network.arcs[step.arc as usize].word as usize);
        words.flat_map(|word| &self.ways[word][0]).copied().collect()
    }

    /// The decoys of the call-outs on some paths; `None` where they would be too many.
    fn near(&self, paths: &[Path]) -> Option<Network> {
        let words = |call: &Call| -> Vec<WordId> {
            call.words.iter().map(|step| self.network.arcs[step.arc as usize].word).collect()
        };
        let call_outs: Vec<Vec<WordId>> = paths.iter().filter_map(|path| path.calls.first()).map(words).collect();
        let decoys = self.decoys.of(call_outs.iter().map(Vec::as_slice)).ok()?;
        Some(Network::new(&decoys, &self.ways, self.boundary))
    }

    fn measure(&self, network: &Network, path: &Path, emissions: &Emissions, margin: f32) -> Measures {
        let call = &path.calls[0];
        let ways = |arc: u32| self.ways[network.arcs[arc as usize].word as usize].as_slice();
        let phones = |arc: u32| ways(arc)[0].len() as f32;
        let total: f32 = call.words.iter().map(|step| phones(step.arc)).sum();
        let (from, to) = (start(call), end(call));
        let cost = call.words[0].score_from - call.words[call.words.len() - 1].score_to;
        let free: f32 = emissions.free[from..to].iter().sum();
        let crowd = |from: usize, to: usize| {
            emissions.begins_phone[from..to.min(emissions.frames())].iter().filter(|b| **b).count() as f32
        };
        let swallowed = emissions.begins_phone.iter().filter(|b| **b).count() as f32;
        let worst = |costs: &mut dyn Iterator<Item = f32>| costs.fold(0.0, f32::max);
        Measures {
            gap: cost / total,
            worst_word: worst(&mut call.words.iter().map(|step| (step.score_from - step.score_to) / phones(step.arc))),
            worst_phone: worst(
                &mut call.words.iter().map(|step| align::worst_phone(emissions, step.from..step.to, ways(step.arc))),
            ),
            absolute: (free - cost) / total,
            gain: swallowed * self.find.filler_per_phone + path.score,
            margin,
            apart: 0.0,
            phones: total,
            pace: (to - from) as f32 / total,
            clarity: free / (to - from).max(1) as f32,
            heard: crowd(from, to) / total,
            before: crowd(from.saturating_sub(NEAR), from),
            after: crowd(to, to + NEAR),
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
