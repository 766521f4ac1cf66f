//! The seal of a log: the `hash` of its last line, short enough to be written on paper.
//!
//! The first 80 bits of the SHA-256 as 16 digits of base 32 (Crockford's alphabet: no I, L, O, U), in groups of four:
//! `7KQ2-M9XD-04ZT-8HBC`. Whoever changes the log afterwards and computes all hashes anew gets another one; to find a log
//! with the same seal takes about 2^80 tries.

use crate::hex;
use std::fmt;
use std::str::FromStr;

const DIGITS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
const BYTES: usize = 10;
const LENGTH: usize = 16;

/// What a log's last line says of the whole log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Seal([u8; BYTES]);

/// A text that is no seal.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "a seal has {LENGTH} digits and capital letters, e.g. 7KQ2-M9XD-04ZT-8HBC, and this is not one: copy it anew from the paper"
)]
pub struct NoSeal;

impl Seal {
    /// Of the `hash` of a log's last line, 64 hex digits.
    pub fn of(hash: &str) -> Option<Seal> {
        hex::decode::<32>(hash)?.first_chunk().copied().map(Seal)
    }
}

impl fmt::Display for Seal {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let bits = self.0.iter().fold(0_u128, |bits, byte| bits << 8 | u128::from(*byte));
        for n in 0..LENGTH {
            if n > 0 && n % 4 == 0 {
                f.write_str("-")?;
            }
            let digit = (bits >> (5 * (LENGTH - 1 - n)) & 31) as usize;
            write!(f, "{}", char::from(DIGITS[digit]))?;
        }
        Ok(())
    }
}

impl FromStr for Seal {
    type Err = NoSeal;

    /// Reads what people copy: any case, with or without hyphens and spaces, O for 0, I and L for 1.
    fn from_str(text: &str) -> Result<Seal, NoSeal> {
        let mut bits = 0_u128;
        let mut count = 0;
        for c in text.chars().filter(|c| !matches!(c, '-' | ' ')) {
            let c = match c.to_ascii_uppercase() {
                'O' => '0',
                'I' | 'L' => '1',
                c => c,
            };
            let digit = DIGITS.iter().position(|digit| char::from(*digit) == c).ok_or(NoSeal)?;
            bits = bits << 5 | digit as u128;
            count += 1;
            if count > LENGTH {
                return Err(NoSeal);
            }
        }
        let bytes = bits.to_be_bytes();
        let last: [u8; BYTES] = bytes[bytes.len() - BYTES..].try_into().map_err(|_| NoSeal)?;
        if count == LENGTH { Ok(Seal(last)) } else { Err(NoSeal) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seal_is_read_as_people_write_it() {
        // Computed with Python: base64.b32encode(bytes.fromhex(...)[:10]), translated to Crockford's alphabet.
        let hash = "6cea0e11223344556677af460123456789abcdef0123456789abcdef01234567";
        let seal = Seal::of(hash).unwrap();
        assert_eq!(seal.to_string(), "DKN0-W492-6D25-ASKQ");
        for written in ["DKN0-W492-6D25-ASKQ", "dkno w492 6d25 askq", "DKNOW4926D25ASKQ"] {
            assert_eq!(written.parse(), Ok(seal), "{written}");
        }
        for wrong in ["", "DKN0-W492-6D25-ASK", "DKN0-W492-6D25-ASKQ0", "DKN0-W492-6D25-ASKU", "DKN0-W492-6D25-ASKR"] {
            assert_ne!(wrong.parse(), Ok(seal), "{wrong}");
        }
        assert_eq!(Seal::of("6cea"), None);
        assert_eq!(Seal::of(&"é".repeat(32)), None);
    }
}
