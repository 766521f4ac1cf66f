//! Numbers as people say them: every spoken form of every number in a range.
//!
//! A form is a list of words, each with what it adds to the value ("one" 100, "twenty" 20), so that
//! forms of many numbers can share one small graph. Values are in thousandths.

/// Thousandths in one.
pub const ONE: i64 = 1000;

/// A word and what it adds, in thousandths.
pub type Part = (&'static str, i64);

/// The range of a `<number:LOW-HIGH/STEP>` rule, in thousandths, ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Range {
    pub low: i64,
    pub high: i64,
    pub step: i64,
}

/// Highest number that has spoken forms here.
const HIGHEST: i64 = 9999 * ONE;

const SMALL: [&str; 20] = [
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
];
const TENS: [&str; 10] = ["", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"];

impl Range {
    /// Reads `LOW-HIGH` or `LOW-HIGH/STEP`, e.g. `20-250` or `0.5-6.0/0.1`. Without a step it is 1.
    pub fn parse(text: &str) -> Result<Range, String> {
        let (span, step) = text.split_once('/').unwrap_or((text, "1"));
        let (low, high) = span.split_once('-').ok_or("write the range as LOW-HIGH, e.g. <number:20-250>")?;
        let range = Range { low: thousandths(low)?, high: thousandths(high)?, step: thousandths(step)? };
        if range.step == 0 {
            return Err("the step must be above 0".into());
        }
        if range.low > range.high {
            return Err(format!("the range runs backwards: write {high}-{low}"));
        }
        if range.high > HIGHEST {
            return Err("numbers above 9999 have no spoken form here: use a smaller range or another unit".into());
        }
        if (range.high - range.low) / range.step > 10_000 {
            return Err("the range holds over 10000 numbers: use a larger step".into());
        }
        Ok(range)
    }

    /// Every value in the range.
    pub fn values(self) -> impl Iterator<Item = i64> {
        (0..=(self.high - self.low) / self.step).map(move |k| self.low + k * self.step)
    }

    /// Every spoken form of every value in the range.
    pub fn forms(self) -> Vec<Vec<Part>> {
        let whole_steps = self.low % ONE == 0 && self.step % ONE == 0;
        self.values().flat_map(|value| forms(value, !whole_steps)).collect()
    }
}

/// Whether `word` stands in some spoken form of a number. Some of these stand elsewhere, too.
pub fn is_number_word(word: &str) -> bool {
    const OTHERS: [&str; 7] = ["hundred", "thousand", "a", "and", "half", "point", "oh"];
    !word.is_empty() && (SMALL.contains(&word) || TENS.contains(&word) || OTHERS.contains(&word))
}

/// `3.5` → 3500. At most three decimals, no sign.
fn thousandths(text: &str) -> Result<i64, String> {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let digits = |s: &str| s.chars().all(|c| c.is_ascii_digit());
    if whole.is_empty() || whole.len() > 6 || fraction.len() > 3 || !digits(whole) || !digits(fraction) {
        return Err(format!("'{text}' is not a number: write digits with at most three decimals, e.g. 0.25"));
    }
    let parse = |s: &str| s.parse::<i64>().unwrap_or(0);
    Ok(parse(whole) * ONE + parse(&format!("{fraction:0<3}")))
}

/// Every spoken form of `value` thousandths; `decimal` also gives whole numbers their "point zero".
pub fn forms(value: i64, decimal: bool) -> Vec<Vec<Part>> {
    let (whole, fraction) = (value / ONE, value % ONE);
    let cardinals = cardinal(whole);
    let mut out = Vec::new();
    if fraction == 0 {
        out.extend(cardinals.iter().cloned());
        if decimal {
            for zero in ["zero", "oh"] {
                out.extend(cardinals.iter().map(|c| join(c, &[("point", 0), (zero, 0)])));
            }
        }
        return out;
    }
    let mut heads = cardinals;
    if whole == 0 {
        heads.push(vec![("oh", 0)]);
        heads.push(vec![]);
    }
    let mut tails = vec![vec![("point", 0)]];
    let mut rest = fraction;
    let mut place = ONE / 10;
    while rest > 0 {
        let digit = rest / place;
        let names: &[&str] = if digit == 0 { &["zero", "oh"] } else { &[SMALL[digit as usize]] };
        tails = tails.iter().flat_map(|t| names.iter().map(move |n| join(t, &[(n, digit * place)]))).collect();
        rest %= place;
        place /= 10;
    }
    for head in &heads {
        out.extend(tails.iter().map(|tail| join(head, tail)));
        if fraction == ONE / 2 && whole > 0 {
            out.push(join(head, &[("and", 0), ("a", 0), ("half", fraction)]));
        }
    }
    out
}

/// Forms of a whole number from 0 to 9999.
fn cardinal(n: i64) -> Vec<Vec<Part>> {
    match n {
        0..=99 => vec![below_hundred(n, 1)],
        100..=999 => hundreds(n),
        _ => thousands(n),
    }
}

/// 0 to 99, each word's share multiplied by `scale`.
fn below_hundred(n: i64, scale: i64) -> Vec<Part> {
    let value = |n: i64| n * scale * ONE;
    match n {
        0..=19 => vec![(SMALL[n as usize], value(n))],
        _ if n % 10 == 0 => vec![(TENS[(n / 10) as usize], value(n))],
        _ => vec![(TENS[(n / 10) as usize], value(n - n % 10)), (SMALL[(n % 10) as usize], value(n % 10))],
    }
}

/// What may follow "hundred" or "thousand" for a rest of 1 to 99.
fn rest_forms(head: &[Part], rest: i64) -> [Vec<Part>; 2] {
    let tail = below_hundred(rest, 1);
    [join(head, &tail), join(&join(head, &[("and", 0)]), &tail)]
}

/// 100 to 999: "one hundred \[and\] twenty", "a hundred \[and\] twenty", "one twenty", "one oh five".
fn hundreds(n: i64) -> Vec<Vec<Part>> {
    let (count, rest) = (n / 100, n % 100);
    let counted = (SMALL[count as usize], count * 100 * ONE);
    let mut heads = vec![vec![counted, ("hundred", 0)]];
    if count == 1 {
        heads.push(vec![("a", 100 * ONE), ("hundred", 0)]);
    }
    if rest == 0 {
        return heads;
    }
    let mut out: Vec<_> = heads.iter().flat_map(|head| rest_forms(head, rest)).collect();
    out.push(short_form(vec![counted], rest));
    out
}

/// "twenty" after "one", or "oh five".
fn short_form(head: Vec<Part>, rest: i64) -> Vec<Part> {
    let oh: &[Part] = if rest < 10 { &[("oh", 0)] } else { &[] };
    join(&join(&head, oh), &below_hundred(rest, 1))
}

/// 1000 to 9999: "three thousand two hundred \[and\] fifty", "thirty two hundred", "thirty two fifty".
fn thousands(n: i64) -> Vec<Vec<Part>> {
    let (count, rest) = (n / 1000, n % 1000);
    let counted = (SMALL[count as usize], count * 1000 * ONE);
    let mut heads = vec![vec![counted, ("thousand", 0)]];
    if count == 1 {
        heads.push(vec![("a", 1000 * ONE), ("thousand", 0)]);
    }
    let mut out: Vec<Vec<Part>> = match rest {
        0 => heads,
        1..=99 => heads.iter().flat_map(|head| rest_forms(head, rest)).collect(),
        _ => heads.iter().flat_map(|head| hundreds(rest).into_iter().map(|tail| join(head, &tail))).collect(),
    };
    let pairs = n / 100;
    if pairs % 10 != 0 {
        let head = below_hundred(pairs, 100);
        match n % 100 {
            0 => out.push(join(&head, &[("hundred", 0)])),
            rest => out.push(short_form(head, rest)),
        }
    }
    out
}

fn join(head: &[Part], tail: &[Part]) -> Vec<Part> {
    head.iter().chain(tail).copied().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spoken(value: i64, decimal: bool) -> Vec<String> {
        forms(value, decimal).iter().map(|f| f.iter().map(|p| p.0).collect::<Vec<_>>().join(" ")).collect()
    }

    #[test]
    fn as_people_say_them() {
        assert!(spoken(120 * ONE, false).contains(&"one twenty".into()));
        assert!(spoken(110 * ONE, false).contains(&"a hundred and ten".into()));
        assert_eq!(spoken(85 * ONE, false), ["eighty five"]);
        assert!(spoken(300, true).contains(&"zero point three".into()));
        assert!(spoken(3500, true).contains(&"three and a half".into()));
        assert!(spoken(200, true).contains(&"oh point two".into()));
        assert!(spoken(3200 * ONE, false).contains(&"thirty two hundred".into()));
        assert!(spoken(105 * ONE, false).contains(&"one oh five".into()));
        assert!(spoken(3050, true).contains(&"three point oh five".into()));
    }

    #[test]
    fn parts_add_up_and_no_form_means_two_numbers() {
        let mut seen = std::collections::HashMap::new();
        for (range, decimal) in [("0-9999", false), ("0-20/0.01", true)] {
            seen.clear();
            for value in Range::parse(range).unwrap().values() {
                for form in forms(value, decimal) {
                    assert_eq!(form.iter().map(|p| p.1).sum::<i64>(), value);
                    let words: Vec<_> = form.iter().map(|p| p.0).collect();
                    let other = seen.insert(words.join(" "), value);
                    assert!(other.is_none() || other == Some(value), "{words:?} is {value} and {other:?}");
                }
            }
        }
    }

    #[test]
    fn bad_ranges_say_why() {
        for (text, why) in [
            ("20", "LOW-HIGH"),
            ("9-2", "backwards"),
            ("0-3/0", "step"),
            ("0-3/x", "not a number"),
            ("0-99999", "9999"),
            ("0-9999/0.001", "10000 numbers"),
            ("1.2345-3", "three decimals"),
        ] {
            let error = Range::parse(text).unwrap_err();
            assert!(error.contains(why), "{text}: {error}");
        }
    }
}
