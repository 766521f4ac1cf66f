//! The container that the acoustic model comes in: named tensors of 32- or 16-bit floats.
//!
//! `HAMAPK`, version, kind, the number of tensors; for each its name, type (0 = 32-bit, 1 = 16-bit), shape,
//! offset and size; then the data, 64 bytes aligned. All numbers little-endian.

use std::collections::BTreeMap;

const MAGIC: &[u8; 6] = b"HAMAPK";
/// No tensor of the model has more values than this.
const MOST_VALUES: usize = 1 << 24;

/// One tensor, its last dimension running fastest.
#[derive(Debug, Clone, PartialEq)]
pub struct Tensor {
    pub shape: Vec<usize>,
    pub values: Vec<f32>,
}

/// All tensors by name.
pub struct Package {
    tensors: BTreeMap<String, Tensor>,
}

impl Package {
    /// `None` if the bytes are no such container, or a damaged one.
    pub fn read(bytes: &[u8]) -> Option<Package> {
        let mut rest = Cursor(bytes.strip_prefix(MAGIC)?);
        rest.take(2)?;
        let count = rest.u32()?;
        let mut entries = Vec::new();
        for _ in 0..count {
            let length = u16::from_le_bytes(rest.take(2)?.try_into().ok()?);
            let name = String::from_utf8(rest.take(length.into())?.to_vec()).ok()?;
            let [kind, dimensions] = *rest.take(2)? else { return None };
            let shape = (0..dimensions).map(|_| Some(rest.u32()? as usize)).collect::<Option<Vec<_>>>()?;
            let (offset, size) = (rest.u64()?, rest.u64()?);
            entries.push((name, kind, shape, offset, size));
        }
        let end = entries.iter().map(|(.., offset, size)| offset.checked_add(*size)).collect::<Option<Vec<_>>>()?;
        let data = &bytes[bytes.len().checked_sub(end.into_iter().max()?)?..];
        let tensors = entries
            .into_iter()
            .map(|(name, kind, shape, offset, size)| {
                let values = floats(data.get(offset..offset + size)?, kind)?;
                let expected = shape.iter().try_fold(1usize, |n, d| n.checked_mul(*d))?;
                (values.len() == expected && expected <= MOST_VALUES).then_some((name, Tensor { shape, values }))
            })
            .collect::<Option<_>>()?;
        Some(Package { tensors })
    }

    /// The tensor of that name, if it has that shape.
    pub fn get(&self, name: &str, shape: &[usize]) -> Option<&Tensor> {
        self.tensors.get(name).filter(|t| t.shape == shape)
    }
}

fn floats(bytes: &[u8], kind: u8) -> Option<Vec<f32>> {
    match kind {
        0 => Some(bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect()),
        1 => Some(bytes.chunks_exact(2).map(|b| half(u16::from_le_bytes([b[0], b[1]]))).collect()),
        _ => None,
    }
}

/// A 16-bit float (IEEE 754 binary16) as a 32-bit one.
fn half(bits: u16) -> f32 {
    let (sign, exponent, fraction) = (bits >> 15, bits >> 10 & 0x1f, f32::from(bits & 0x3ff));
    let size = match exponent {
        0 => fraction * 2f32.powi(-24),
        0x1f => f32::NAN,
        e => (1.0 + fraction / 1024.0) * 2f32.powi(i32::from(e) - 15),
    };
    if sign == 1 { -size } else { size }
}

struct Cursor<'b>(&'b [u8]);

impl<'b> Cursor<'b> {
    fn take(&mut self, n: usize) -> Option<&'b [u8]> {
        let (taken, rest) = self.0.split_at_checked(n)?;
        self.0 = rest;
        Some(taken)
    }

    fn u32(&mut self) -> Option<u32> {
        Some(u32::from_le_bytes(self.take(4)?.try_into().ok()?))
    }

    fn u64(&mut self) -> Option<usize> {
        usize::try_from(u64::from_le_bytes(self.take(8)?.try_into().ok()?)).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the examples of Wikipedia, "Half-precision floating-point format".
    #[test]
    fn half_floats_are_those_of_ieee_754() {
        let known = [
            (0x0001, 5.9604645e-8),
            (0x03ff, 6.097555e-5),
            (0x0400, 6.103_515_6e-5),
            (0x3555, 0.33325195),
            (0x3c01, 1.000_976_6),
            (0x7bff, 65504.0),
            (0xc000, -2.0),
        ];
        for (bits, value) in known {
            assert_eq!(half(bits), value, "{bits:#06x}");
        }
        assert!(half(0x7c01).is_nan());
    }

    #[test]
    fn a_damaged_container_is_refused_wherever_it_is_cut() {
        let mut bytes = b"HAMAPK\x01\x02\x01\0\0\0\x01\0a\x00\x01\x02\0\0\0".to_vec();
        bytes.extend(0u64.to_le_bytes());
        bytes.extend(8u64.to_le_bytes());
        bytes.extend(1.5f32.to_le_bytes());
        bytes.extend((-2f32).to_le_bytes());
        let whole = Package::read(&bytes).unwrap();
        assert_eq!(whole.get("a", &[2]).unwrap().values, [1.5, -2.0]);
        assert_eq!(whole.get("a", &[1, 2]), None);
        for cut in 0..30 {
            assert!(Package::read(&bytes[..cut]).is_none(), "cut at {cut}");
        }
    }
}
