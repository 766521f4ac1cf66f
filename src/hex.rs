//! Bytes as lower-case hexadecimal digits, and back.

use std::fmt::Write;

/// Two digits for each byte.
pub fn encode(bytes: impl AsRef<[u8]>) -> String {
    let bytes = bytes.as_ref();
    let mut digits = String::with_capacity(2 * bytes.len());
    for byte in bytes {
        // A string takes all.
        let _ = write!(digits, "{byte:02x}");
    }
    digits
}

/// `None` unless there are 2 N digits and nothing else.
pub fn decode<const N: usize>(digits: &str) -> Option<[u8; N]> {
    if digits.len() != 2 * N || !is_hex(digits) {
        return None;
    }
    let mut bytes = [0; N];
    for (n, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(&digits[2 * n..2 * n + 2], 16).ok()?;
    }
    Some(bytes)
}

/// Whether there are such digits only.
pub fn is_hex(text: impl AsRef<[u8]>) -> bool {
    text.as_ref().iter().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_decoded_is_what_was_encoded_and_nothing_else_is_taken() {
        let bytes: Vec<u8> = (0..=255).collect();
        let digits = encode(&bytes);
        assert!(digits.starts_with("000102") && digits.ends_with("fdfeff") && digits.len() == 512, "{digits}");
        assert_eq!(decode::<256>(&digits).map(Vec::from), Some(bytes));
        for wrong in ["0", "000", "0000", "0G", "0A", "+1", "é"] {
            assert_eq!(decode::<1>(wrong), None, "{wrong}");
        }
    }
}
