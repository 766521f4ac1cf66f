//! What the acoustic model says of each frame, reduced to the classes that the search needs.

/// Phones, the word boundary and the blank, as the search counts them.
pub type Class = u8;

/// Which of the model's tokens each class is made of.
#[derive(Debug, Clone)]
pub struct Classes {
    /// For each class its tokens; their probabilities add up.
    pub members: Vec<Vec<usize>>,
    pub boundary: Class,
    pub blank: Class,
    /// The model's own index of the word boundary.
    pub boundary_token: usize,
    /// The model's own index of the blank.
    pub blank_token: usize,
}

/// Log-probabilities of one stretch of audio. A frame is 20 ms.
#[derive(Debug, Clone)]
pub struct Emissions {
    classes: usize,
    /// `[frames × classes]`, nats relative to the frame's best token, so that the free path costs 0.
    relative: Vec<f32>,
    /// Log-probability of each frame's best token.
    pub free: Vec<f32>,
    /// Whether the free path begins a phone in this frame.
    pub begins_phone: Vec<bool>,
    pub boundary: Class,
    pub blank: Class,
}

impl Emissions {
    /// From the model's output, `[frames × tokens]` log-probabilities.
    pub fn new(log_probs: &[f32], tokens: usize, classes: &Classes) -> Emissions {
        let mut out = Emissions {
            classes: classes.members.len(),
            relative: Vec::with_capacity(log_probs.len() / tokens * classes.members.len()),
            free: Vec::new(),
            begins_phone: Vec::new(),
            boundary: classes.boundary,
            blank: classes.blank,
        };
        let mut before = classes.blank_token;
        for frame in log_probs.chunks_exact(tokens) {
            let (best, top) =
                frame.iter().copied().enumerate().fold((0, f32::NEG_INFINITY), |a, b| if b.1 > a.1 { b } else { a });
            for members in &classes.members {
                let score = match members.as_slice() {
                    [one] => frame[*one],
                    many => many.iter().map(|k| frame[*k].exp()).sum::<f32>().ln(),
                };
                out.relative.push((score - top).max(-1e4));
            }
            out.free.push(top);
            let is_phone = best != classes.blank_token && best != classes.boundary_token;
            out.begins_phone.push(is_phone && best != before);
            before = best;
        }
        out
    }

    pub fn frames(&self) -> usize {
        self.free.len()
    }

    /// Nats of `class` in `frame` relative to the best token there.
    pub fn relative(&self, frame: usize, class: Class) -> f32 {
        self.relative[frame * self.classes + usize::from(class)]
    }

    /// The frames `from..to` alone.
    pub fn slice(&self, from: usize, to: usize) -> Emissions {
        Emissions {
            classes: self.classes,
            relative: self.relative[from * self.classes..to * self.classes].to_vec(),
            free: self.free[from..to].to_vec(),
            begins_phone: self.begins_phone[from..to].to_vec(),
            ..*self
        }
    }
}
