//! Gestation and weight as people write them: known, a range, or unknown.

use rust_decimal::Decimal;
use std::fmt;
use std::str::FromStr;

const UNKNOWN: &str = "unknown";
/// A weight without unit is in kg up to here, and in g from [`LEAST_GRAMS`]; between them it could be either.
const MOST_KG: Decimal = Decimal::from_parts(20, 0, 0, false, 0);
const LEAST_GRAMS: Decimal = Decimal::from_parts(100, 0, 0, false, 0);
/// Digits in which a weight is given: no scale tells more.
const MOST_DIGITS: usize = 8;

/// Why something cannot be a gestation or a weight.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum InputError {
    #[error("'{0}' is no gestation: write weeks (31), weeks and days (31+4), a range of them (30-32) or unknown")]
    Gestation(String),
    #[error("'{0}' is no weight: write kg (1.6), grams (1600g), a range (1.4-1.8) or unknown")]
    Weight(String),
    #[error("'{0}' could be kg or g: write the unit, e.g. 1.6kg or 1600g")]
    Unit(String),
    #[error("'{0}' ends before it begins: write the smaller number first")]
    Backwards(String),
}

/// Age at birth in days, first and last; weeks alone are seven days.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gestation(Option<(u32, u32)>);

/// Weight in kg, least and most.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Weight(Option<(Decimal, Decimal)>);

impl Gestation {
    /// Completed weeks, first and last; none if it is not known.
    pub fn weeks(&self) -> Option<(Decimal, Decimal)> {
        self.0.map(|(from, to)| ((from / 7).into(), (to / 7).into()))
    }

    /// Days, first and last.
    pub fn days(&self) -> Option<(u32, u32)> {
        self.0
    }
}

impl Weight {
    /// In kg, least and most; none if it is not known.
    pub fn kg(&self) -> Option<(Decimal, Decimal)> {
        self.0
    }
}

/// The two ends of `a-b`; the same twice without a dash.
fn ends(text: &str) -> (&str, &str) {
    text.split_once(['-', '–']).map_or((text, text), |(a, b)| (a.trim(), b.trim()))
}

impl FromStr for Gestation {
    type Err = InputError;

    fn from_str(text: &str) -> Result<Gestation, InputError> {
        let text = text.trim();
        if text.eq_ignore_ascii_case(UNKNOWN) {
            return Ok(Gestation(None));
        }
        let wrong = || InputError::Gestation(text.into());
        // Weeks, and days if there are any.
        let read = |part: &str| -> Option<(u32, Option<u32>)> {
            let count = |digits: &str| {
                let plain = (1..=2).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_digit());
                plain.then(|| digits.parse().ok()).flatten()
            };
            match part.split_once('+') {
                None => Some((count(part)?, None)),
                Some((weeks, days)) => Some((count(weeks)?, Some(count(days).filter(|days| *days < 7)?))),
            }
        };
        let (from, to) = ends(text);
        let (from, to) = (read(from).ok_or_else(wrong)?, read(to).ok_or_else(wrong)?);
        let (from, to) = (from.0 * 7 + from.1.unwrap_or(0), to.0 * 7 + to.1.unwrap_or(6));
        if from > to {
            return Err(InputError::Backwards(text.into()));
        }
        Ok(Gestation(Some((from, to))))
    }
}

impl FromStr for Weight {
    type Err = InputError;

    fn from_str(text: &str) -> Result<Weight, InputError> {
        let text = text.trim();
        if text.eq_ignore_ascii_case(UNKNOWN) {
            return Ok(Weight(None));
        }
        let wrong = || InputError::Weight(text.into());
        // Grams in one unit of this text, if it names one.
        let unit = |part: &str| match part {
            part if part.ends_with("kg") => Some(Decimal::ONE_THOUSAND),
            part if part.ends_with('g') => Some(Decimal::ONE),
            _ => None,
        };
        let read = |part: &str| -> Option<Decimal> {
            let digits = part.trim_end_matches("kg").trim_end_matches('g').trim_end();
            let plain = digits.len() <= MOST_DIGITS && digits.bytes().all(|b| b.is_ascii_digit() || b == b'.');
            let whole = digits.starts_with(|c: char| c.is_ascii_digit());
            (plain && whole).then(|| Decimal::from_str(digits).ok()).flatten()
        };
        let (from, to) = ends(text);
        let (low, high) = (read(from).ok_or_else(wrong)?, read(to).ok_or_else(wrong)?);
        // "1400-1800 g": the last unit holds for both.
        let to_unit = unit(to);
        let kg = |number: Decimal, grams: Option<Decimal>| match grams {
            Some(grams) => Ok(number * grams / Decimal::ONE_THOUSAND),
            None if number <= MOST_KG => Ok(number),
            None if number >= LEAST_GRAMS => Ok(number / Decimal::ONE_THOUSAND),
            None => Err(InputError::Unit(text.into())),
        };
        let (low, high) = (kg(low, unit(from).or(to_unit))?.normalize(), kg(high, to_unit)?.normalize());
        match low {
            low if low <= Decimal::ZERO => Err(wrong()),
            low if low > high => Err(InputError::Backwards(text.into())),
            low => Ok(Weight(Some((low, high)))),
        }
    }
}

impl fmt::Display for Gestation {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let one = |days: u32| format!("{}+{}", days / 7, days % 7);
        match self.0 {
            None => f.write_str("not known"),
            Some((from, to)) if from % 7 == 0 && to == from + 6 => write!(f, "{} weeks", from / 7),
            Some((from, to)) if from == to => write!(f, "{} weeks", one(from)),
            Some((from, to)) if from % 7 == 0 && to % 7 == 6 => write!(f, "{} to {} weeks", from / 7, to / 7),
            Some((from, to)) => write!(f, "{} to {} weeks", one(from), one(to)),
        }
    }
}

impl fmt::Display for Weight {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        match self.0 {
            None => f.write_str("not known"),
            Some((low, high)) if low == high => write!(f, "{low} kg"),
            Some((low, high)) => write!(f, "{low} to {high} kg"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gestation_is_read_as_written() {
        for (text, days, shown) in [
            ("31", Some((217, 223)), "31 weeks"),
            ("31+0", Some((217, 217)), "31+0 weeks"),
            (" 31+4 ", Some((221, 221)), "31+4 weeks"),
            ("30-32", Some((210, 230)), "30 to 32 weeks"),
            ("30+2-31", Some((212, 223)), "30+2 to 31+6 weeks"),
            ("unknown", None, "not known"),
        ] {
            let gestation: Gestation = text.parse().unwrap();
            assert_eq!((gestation.days(), gestation.to_string().as_str()), (days, shown), "{text}");
        }
        for text in ["", "31+7", "31+", "+4", "31.5", "-31", "thirty", "311", "31 weeks", "32-30", "31-"] {
            assert!(text.parse::<Gestation>().is_err(), "{text}");
        }
    }

    #[test]
    fn weight_is_read_in_kg_or_g() {
        for (text, shown) in [
            ("1.6", "1.6 kg"),
            ("1.60kg", "1.6 kg"),
            ("1600", "1.6 kg"),
            ("1600 g", "1.6 kg"),
            ("655g", "0.655 kg"),
            ("1.4-1.8", "1.4 to 1.8 kg"),
            ("1400-1800g", "1.4 to 1.8 kg"),
            ("900g-1.1kg", "0.9 to 1.1 kg"),
            ("unknown", "not known"),
        ] {
            assert_eq!(text.parse::<Weight>().unwrap().to_string(), shown, "{text}");
        }
        assert_eq!("50".parse::<Weight>(), Err(InputError::Unit("50".into())));
        assert_eq!("1.8-1.4".parse::<Weight>(), Err(InputError::Backwards("1.8-1.4".into())));
        for text in ["", "0", "-1", "1,6", "1.6lb", ".5", "1.4-", "123456789", "1.6.1", "NaN", "1e3"] {
            assert!(text.parse::<Weight>().is_err(), "{text}");
        }
    }
}
