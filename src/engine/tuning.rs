//! What our own training added to the model's weights, so that it hears call-outs in loud, echoing rooms.
//!
//! `EARTUNE1`; for each tensor its name, the number of values in a row, and for each row a scale and one
//! signed byte a value: the weight moves by scale × byte. Made by `tests/hearing/tune.py`.

use crate::hex;
use crate::record::FileId;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;

/// Two trainings, so that one can be asked where the other is not sure.
const SHIPPED: [&[u8]; 2] = [include_bytes!("first.weights"), include_bytes!("second.weights")];
const MAGIC: &[u8; 8] = b"EARTUNE1";

/// Moves of the weights, by tensor.
pub struct Tuning {
    moves: BTreeMap<String, Vec<f32>>,
}

impl Tuning {
    /// Those in this build; `None` only if it was built from a damaged file.
    pub fn shipped() -> Option<[Tuning; 2]> {
        let [first, second] = SHIPPED.map(Tuning::read);
        Some([first?, second?])
    }

    /// SHA-256 of the shipped ones, one behind the other, hex.
    pub fn sha256() -> String {
        hex::encode(Sha256::digest(SHIPPED.concat()))
    }

    /// Each by its name.
    pub fn files() -> impl Iterator<Item = FileId> {
        let names = ["first.weights", "second.weights"];
        names
            .into_iter()
            .zip(SHIPPED)
            .map(|(name, bytes)| FileId { name: name.into(), sha256: hex::encode(Sha256::digest(bytes)) })
    }

    fn read(bytes: &[u8]) -> Option<Tuning> {
        let mut rest = bytes.strip_prefix(MAGIC)?;
        let mut take = |n: usize| {
            let (taken, behind) = rest.split_at_checked(n)?;
            rest = behind;
            Some(taken)
        };
        let mut moves = BTreeMap::new();
        while let Some(length) = take(2) {
            let name = take(u16::from_le_bytes(length.try_into().ok()?).into())?;
            let size = |bytes: &[u8]| Some(u32::from_le_bytes(bytes.try_into().ok()?) as usize);
            let (rows, row) = (size(take(4)?)?, size(take(4)?)?);
            let mut values = Vec::new();
            for _ in 0..rows {
                let scale = f32::from_le_bytes(take(4)?.try_into().ok()?);
                values.extend(take(row)?.iter().map(|b| scale * f32::from(*b as i8)));
            }
            moves.insert(String::from_utf8(name.to_vec()).ok()?, values);
        }
        Some(Tuning { moves })
    }

    /// Adds the moves of the tensor `name` to its values; `None` if there are more or fewer of them.
    pub fn move_values(&self, name: &str, values: &mut [f32]) -> Option<()> {
        let Some(moves) = self.moves.get(name) else { return Some(()) };
        (moves.len() == values.len()).then(|| values.iter_mut().zip(moves).for_each(|(v, m)| *v += m))
    }
}
