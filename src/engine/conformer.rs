//! The acoustic model: a Conformer (Gulati et al., "Conformer: Convolution-augmented Transformer for Speech
//! Recognition", 2020) of four blocks, without positional encoding, over log-mel frames. Its weights are
//! those of the model package, moved by our own training (`tuning.rs`).

use super::features::{BANDS, Features};
use super::package::{Package, Tensor};
use super::tuning::Tuning;
use ndarray::linalg::general_mat_mul;
use ndarray::{Array1, Array2, ArrayView2, Axis, s};

/// Width of the model.
const WIDTH: usize = 144;
const HEADS: usize = 4;
const HEAD: usize = WIDTH / HEADS;
const INNER: usize = 4 * WIDTH;
const BLOCKS: usize = 4;
/// Frames that a block's convolution looks at.
const TAPS: usize = 31;
/// Frames of features that the first convolution joins, and how many it steps on.
const STEM: usize = 3;
const STRIDE: usize = 2;
/// Added to a variance before it divides.
const EPSILON: f32 = 1e-5;

/// Tokens of the package's own alphabet, the word boundary and the blank among them.
pub const TOKENS: usize = 191;
/// Shorter audio is padded to this many samples: the model needs a few frames to attend to.
const SHORTEST: usize = 3200;
/// Longer audio is refused: attention costs the square of the length.
pub const LONGEST: usize = 16_000 * 60;

/// The model, ready to run.
pub struct Conformer {
    features: Features,
    stem: Linear,
    blocks: Vec<Block>,
    head: Linear,
}

struct Linear {
    /// `[inputs × outputs]`.
    weights: Array2<f32>,
    bias: Array1<f32>,
}

struct Norm {
    weight: Array1<f32>,
    bias: Array1<f32>,
}

struct FeedForward {
    norm: Norm,
    widen: Linear,
    narrow: Linear,
}

struct Block {
    first: FeedForward,
    attention: (Norm, Linear, Linear),
    convolution: Convolution,
    second: FeedForward,
    norm: Norm,
}

struct Convolution {
    norm: Norm,
    gated: Linear,
    /// `[TAPS × WIDTH]`, each channel by itself.
    taps: Linear,
    out: Linear,
}

/// Takes tensors out of the package, each moved by the tuning, and shapes them.
struct Source<'s> {
    package: &'s Package,
    tuning: Option<&'s Tuning>,
}

impl Source<'_> {
    fn values(&self, name: &str, shape: &[usize]) -> Option<Vec<f32>> {
        let Tensor { values, .. } = self.package.get(name, shape)?;
        let mut values = values.clone();
        if let Some(tuning) = self.tuning {
            tuning.move_values(name, &mut values)?;
        }
        Some(values)
    }

    fn vector(&self, name: &str, n: usize) -> Option<Array1<f32>> {
        Some(Array1::from(self.values(name, &[n])?))
    }

    /// Stored `[inputs × outputs]`.
    fn matrix(&self, name: &str, bias: &str, inputs: usize, outputs: usize) -> Option<Linear> {
        let weights = Array2::from_shape_vec((inputs, outputs), self.values(name, &[inputs, outputs])?).ok()?;
        Some(Linear { weights, bias: self.vector(bias, outputs)? })
    }

    /// Stored as a convolution, `[outputs × inputs × width]`; given as `[width · inputs × outputs]`.
    fn convolution(&self, name: &str, bias: &str, inputs: usize, outputs: usize, width: usize) -> Option<Linear> {
        let stored = self.values(name, &[outputs, inputs, width])?;
        let weights = Array2::from_shape_fn((width * inputs, outputs), |(row, out)| {
            stored[(out * inputs + row % inputs) * width + row / inputs]
        });
        Some(Linear { weights, bias: self.vector(bias, outputs)? })
    }

    fn norm(&self, name: &str) -> Option<Norm> {
        let part = |part| self.vector(&format!("{name}.{part}"), WIDTH);
        Some(Norm { weight: part("weight")?, bias: part("bias")? })
    }

    fn block(&self, n: usize) -> Option<Block> {
        let own = |part: &str| format!("acoustic_model.model.blocks.{n}.{part}");
        // The exporter numbered the matrices: nine steps a block, three of them without weights.
        let numbered = |k: usize| format!("onnx::MatMul_{}", 829 + 9 * n + k);
        let feed_forward = |name: &str, k: usize| {
            Some(FeedForward {
                norm: self.norm(&own(&format!("{name}.norm")))?,
                widen: self.matrix(&numbered(k), &own(&format!("{name}.fc1.bias")), WIDTH, INNER)?,
                narrow: self.matrix(&numbered(k + 1), &own(&format!("{name}.fc2.bias")), INNER, WIDTH)?,
            })
        };
        let pointwise = |k: usize, outputs: usize| {
            let name = |part: &str| own(&format!("conv.pointwise{k}.{part}"));
            self.convolution(&name("weight"), &name("bias"), WIDTH, outputs, 1)
        };
        let (taps, taps_bias) = (format!("onnx::Conv_{}", 804 + 3 * n), format!("onnx::Conv_{}", 805 + 3 * n));
        Some(Block {
            first: feed_forward("ffn1", 0)?,
            attention: (
                self.norm(&own("attn_norm"))?,
                self.matrix(&numbered(2), &own("attn.in_proj_bias"), WIDTH, 3 * WIDTH)?,
                self.matrix(&numbered(6), &own("attn.out_proj.bias"), WIDTH, WIDTH)?,
            ),
            convolution: Convolution {
                norm: self.norm(&own("conv.norm"))?,
                gated: pointwise(1, 2 * WIDTH)?,
                taps: self.convolution(&taps, &taps_bias, 1, WIDTH, TAPS)?,
                out: pointwise(2, WIDTH)?,
            },
            second: feed_forward("ffn2", 7)?,
            norm: self.norm(&own("norm"))?,
        })
    }
}

impl Conformer {
    /// The model as the package has it, or moved by `tuning`; `None` if tensors are missing or have another shape.
    pub fn new(package: &Package, tuning: Option<&Tuning>) -> Option<Conformer> {
        let source = Source { package, tuning };
        let (head, head_bias) = ("acoustic_model.model.proj.weight", "acoustic_model.model.proj.bias");
        Some(Conformer {
            features: Features::new(package)?,
            stem: source.convolution("onnx::Conv_801", "onnx::Conv_802", BANDS, WIDTH, STEM)?,
            blocks: (0..BLOCKS).map(|n| source.block(n)).collect::<Option<_>>()?,
            head: source.convolution(head, head_bias, WIDTH, TOKENS, 1)?,
        })
    }

    /// Keeps these tokens only, in this order.
    pub fn keep(&mut self, tokens: &[usize]) {
        self.head.weights = self.head.weights.select(Axis(1), tokens);
        self.head.bias = self.head.bias.select(Axis(0), tokens);
    }

    /// Log-probabilities `[frames × tokens kept]` of `audio` (16 kHz mono, at most [`LONGEST`] samples), a frame
    /// each 20 ms. Samples that are no numbers count as 0.
    pub fn log_probs(&self, audio: &[f32]) -> Vec<f32> {
        let wave = super::wave(audio, SHORTEST);
        let mut x = self.stem(&self.features.frames(&wave));
        for block in &self.blocks {
            block.run(&mut x);
        }
        let mut out = self.head.apply(&x);
        for mut frame in out.rows_mut() {
            let top = frame.fold(f32::NEG_INFINITY, |a, b| a.max(*b));
            let total = frame.iter().map(|s| (s - top).exp()).sum::<f32>().ln() + top;
            frame -= total;
        }
        out.into_raw_vec_and_offset().0
    }

    fn stem(&self, features: &[f32]) -> Array2<f32> {
        let before = features.len() / BANDS;
        let frames = before.div_ceil(STRIDE);
        let mut rows = Array2::zeros((frames, STEM * BANDS));
        for (n, mut row) in rows.rows_mut().into_iter().enumerate() {
            for tap in 0..STEM {
                let Some(at) = (n * STRIDE + tap).checked_sub(1).filter(|at| *at < before) else { continue };
                let frame = ArrayView2::from_shape((1, BANDS), &features[at * BANDS..][..BANDS]);
                if let Ok(frame) = frame {
                    row.slice_mut(s![tap * BANDS..(tap + 1) * BANDS]).assign(&frame.row(0));
                }
            }
        }
        self.stem.apply(&rows).mapv_into(gelu)
    }
}

impl Linear {
    fn apply(&self, x: &Array2<f32>) -> Array2<f32> {
        let mut out = self.bias.broadcast((x.nrows(), self.bias.len())).map(|b| b.to_owned()).unwrap_or_default();
        general_mat_mul(1.0, x, &self.weights, 1.0, &mut out);
        out
    }
}

impl Norm {
    fn apply(&self, x: &Array2<f32>) -> Array2<f32> {
        let mut out = x.clone();
        self.apply_in_place(&mut out);
        out
    }

    fn apply_in_place(&self, x: &mut Array2<f32>) {
        for mut row in x.rows_mut() {
            let mean = row.sum() / WIDTH as f32;
            let variance = row.fold(0.0, |sum, v| sum + (v - mean) * (v - mean)) / WIDTH as f32;
            let scale = 1.0 / (variance + EPSILON).sqrt();
            row.zip_mut_with(&self.weight, |v, w| *v = (*v - mean) * scale * w);
            row += &self.bias;
        }
    }
}

impl FeedForward {
    fn apply(&self, x: &Array2<f32>) -> Array2<f32> {
        self.narrow.apply(&self.widen.apply(&self.norm.apply(x)).mapv_into(silu))
    }
}

impl Block {
    fn run(&self, x: &mut Array2<f32>) {
        let half = self.first.apply(x);
        x.scaled_add(0.5, &half);
        *x += &self.attend(x);
        *x += &self.convolution.apply(x);
        let half = self.second.apply(x);
        x.scaled_add(0.5, &half);
        self.norm.apply_in_place(x);
    }

    fn attend(&self, x: &Array2<f32>) -> Array2<f32> {
        let (norm, project, out) = &self.attention;
        let projected = project.apply(&norm.apply(x));
        let mut joined = Array2::zeros(x.raw_dim());
        for head in 0..HEADS {
            let part = |k: usize| projected.slice(s![.., k * WIDTH + head * HEAD..k * WIDTH + (head + 1) * HEAD]);
            let mut attention = part(0).dot(&part(1).t());
            for mut row in attention.rows_mut() {
                let scale = 1.0 / (HEAD as f32).sqrt();
                let top = row.fold(f32::NEG_INFINITY, |a, b| a.max(*b));
                row.mapv_inplace(|v| ((v - top) * scale).exp());
                row /= row.sum();
            }
            joined.slice_mut(s![.., head * HEAD..(head + 1) * HEAD]).assign(&attention.dot(&part(2)));
        }
        out.apply(&joined)
    }
}

impl Convolution {
    fn apply(&self, x: &Array2<f32>) -> Array2<f32> {
        let gated = self.gated.apply(&self.norm.apply(x));
        let gate = gated.slice(s![.., WIDTH..]).mapv(sigmoid);
        let open = &gated.slice(s![.., ..WIDTH]) * &gate;
        self.out.apply(&self.over_time(&open).mapv_into(silu))
    }

    /// Each channel by itself, zeros beyond the ends.
    fn over_time(&self, x: &Array2<f32>) -> Array2<f32> {
        let frames = x.nrows();
        let mut out = Array2::zeros(x.raw_dim());
        for (n, mut row) in out.rows_mut().into_iter().enumerate() {
            row.assign(&self.taps.bias);
            for (tap, weights) in self.taps.weights.rows().into_iter().enumerate() {
                let Some(at) = (n + tap).checked_sub(TAPS / 2).filter(|at| *at < frames) else { continue };
                ndarray::Zip::from(&mut row).and(x.row(at)).and(weights).for_each(|sum, v, w| *sum += v * w);
            }
        }
        out
    }
}

fn sigmoid(x: f32) -> f32 {
    1.0 / (1.0 + (-x).exp())
}

fn silu(x: f32) -> f32 {
    x * sigmoid(x)
}

/// Gaussian error linear unit.
fn gelu(x: f32) -> f32 {
    0.5 * x * (1.0 + libm::erff(x * std::f32::consts::FRAC_1_SQRT_2))
}
