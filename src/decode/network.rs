//! The word graph spelled out in phones: a prefix tree behind every state of the graph.

use super::emissions::Class;
use crate::grammar::graph::{Arc, Graph, StateId};
use crate::grammar::meaning::Output;
use std::collections::HashMap;

pub type NodeId = u32;
pub type ArcId = u32;

/// What the search walks. Built once for each pack.
#[derive(Debug)]
pub struct Network {
    pub(super) nodes: Vec<Node>,
    pub(super) arcs: Vec<NetArc>,
    pub(super) states: Vec<NetState>,
    words: Vec<String>,
}

/// A place where one phone (or a word boundary) is being heard.
#[derive(Debug)]
pub(super) struct Node {
    pub class: Class,
    /// Whether a word begins here.
    pub first: bool,
    pub children: Vec<NodeId>,
    /// Arcs whose word ends here.
    pub ends: Vec<ArcId>,
}

#[derive(Debug)]
pub(super) struct NetArc {
    pub word: u32,
    pub outputs: Vec<Output>,
    /// Hash of each output, so that paths with equal meaning are known without composing it.
    pub keys: Vec<u64>,
    /// In nats, at most 0.
    pub score: f32,
    pub to: StateId,
}

#[derive(Debug)]
pub(super) struct NetState {
    /// Heard between the words before and after this state; `None` where nothing follows.
    pub boundary: Option<NodeId>,
    pub roots: Vec<NodeId>,
    pub arcs: Vec<ArcId>,
    pub is_final: bool,
}

impl Network {
    /// `pronunciations[word]` are the ways to say a word of the graph, each a list of classes.
    pub fn new(graph: &Graph, pronunciations: &[Vec<Vec<Class>>], boundary: Class) -> Network {
        let mut network = Network { nodes: vec![], arcs: vec![], states: vec![], words: graph.words.clone() };
        for (id, state) in graph.states.iter().enumerate() {
            let first = network.arcs.len() as ArcId;
            let roots = network.tree(&state.arcs, pronunciations);
            let arcs = (first..network.arcs.len() as ArcId).collect();
            let boundary = (id != 0 && !roots.is_empty()).then(|| {
                network.nodes.push(Node { class: boundary, first: false, children: roots.clone(), ends: vec![] });
                (network.nodes.len() - 1) as NodeId
            });
            network.states.push(NetState { boundary, roots, arcs, is_final: state.is_final });
        }
        network
    }

    fn tree(&mut self, arcs: &[Arc], pronunciations: &[Vec<Vec<Class>>]) -> Vec<NodeId> {
        let mut roots: Vec<NodeId> = Vec::new();
        let mut known: HashMap<(Option<NodeId>, Class), NodeId> = HashMap::new();
        for arc in arcs {
            let arc_id = self.arcs.len() as ArcId;
            self.arcs.push(NetArc {
                word: arc.word,
                outputs: arc.outputs.clone(),
                keys: arc.outputs.iter().map(hash).collect(),
                score: -(arc.cost as f32) / 1000.0,
                to: arc.to,
            });
            for phones in &pronunciations[arc.word as usize] {
                let mut parent = None;
                for &class in phones {
                    let node = *known.entry((parent, class)).or_insert_with(|| {
                        let id = self.nodes.len() as NodeId;
                        self.nodes.push(Node { class, first: parent.is_none(), children: vec![], ends: vec![] });
                        match parent {
                            None => roots.push(id),
                            Some(parent) => self.nodes[parent as usize].children.push(id),
                        }
                        id
                    });
                    parent = Some(node);
                }
                if let Some(last) = parent
                    && !self.nodes[last as usize].ends.contains(&arc_id)
                {
                    self.nodes[last as usize].ends.push(arc_id);
                }
            }
        }
        roots
    }

    /// Phone places in the network, a measure of its size.
    pub fn size(&self) -> usize {
        self.nodes.len()
    }

    /// Whether the grammar lets a call-out of these words go on: with another word, or, by `longer`, with a word that
    /// begins as the last one does, as "sixty" with "six". Other paths than the one that was found may hold the same
    /// words.
    pub(super) fn goes_on(&self, words: impl Iterator<Item = u32>, longer: impl Fn(u32, u32) -> bool) -> bool {
        let (mut states, mut unfinished) = (vec![0], false);
        for word in words {
            let arcs = states.iter().flat_map(|state: &StateId| &self.states[*state as usize].arcs);
            let arcs: Vec<_> = arcs.map(|arc| &self.arcs[*arc as usize]).collect();
            unfinished = arcs.iter().any(|arc| longer(arc.word, word));
            let mut next: Vec<StateId> = arcs.iter().filter(|arc| arc.word == word).map(|arc| arc.to).collect();
            next.sort_unstable();
            next.dedup();
            states = next;
        }
        unfinished || states.iter().any(|state| !self.states[*state as usize].arcs.is_empty())
    }

    pub(super) fn word(&self, arc: ArcId) -> &str {
        &self.words[self.arcs[arc as usize].word as usize]
    }
}

/// FNV-1a over an output's debug form: stable between runs, unlike the standard hasher's promise.
fn hash(output: &Output) -> u64 {
    format!("{output:?}").bytes().fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3))
}
