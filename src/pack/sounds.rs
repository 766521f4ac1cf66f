//! How alike two pronunciations sound: edit distance over phones, weighted by what phones share.
//!
//! The features are those of any phonetics primer, the weights from memory: they rank pairs, and are
//! no measure of how often people or engines mistake them.

/// Stands in a pronunciation for any spoken number.
pub const NUMBER: &str = "#";

/// What a vowel is: how high and how far back the tongue lies, 0 to 1, where it begins.
const VOWELS: [(&str, f32, f32); 15] = [
    ("AA", 0.0, 0.8),
    ("AE", 0.1, 0.1),
    ("AH", 0.4, 0.6),
    ("AO", 0.3, 1.0),
    ("AW", 0.0, 0.5),
    ("AY", 0.0, 0.4),
    ("EH", 0.4, 0.1),
    ("ER", 0.5, 0.5),
    ("EY", 0.6, 0.0),
    ("IH", 0.8, 0.2),
    ("IY", 1.0, 0.0),
    ("OW", 0.6, 1.0),
    ("OY", 0.4, 1.0),
    ("UH", 0.8, 0.8),
    ("UW", 1.0, 1.0),
];
/// What a consonant is: how it is made, where (lips 0 to throat 1), and whether with voice.
const CONSONANTS: [(&str, Manner, f32, bool); 24] = [
    ("P", Manner::Stop, 0.0, false),
    ("B", Manner::Stop, 0.0, true),
    ("T", Manner::Stop, 0.4, false),
    ("D", Manner::Stop, 0.4, true),
    ("K", Manner::Stop, 0.8, false),
    ("G", Manner::Stop, 0.8, true),
    ("CH", Manner::Affricate, 0.55, false),
    ("JH", Manner::Affricate, 0.55, true),
    ("F", Manner::Fricative, 0.1, false),
    ("V", Manner::Fricative, 0.1, true),
    ("TH", Manner::Fricative, 0.25, false),
    ("DH", Manner::Fricative, 0.25, true),
    ("S", Manner::Fricative, 0.4, false),
    ("Z", Manner::Fricative, 0.4, true),
    ("SH", Manner::Fricative, 0.55, false),
    ("ZH", Manner::Fricative, 0.55, true),
    ("HH", Manner::Fricative, 1.0, false),
    ("M", Manner::Nasal, 0.0, true),
    ("N", Manner::Nasal, 0.4, true),
    ("NG", Manner::Nasal, 0.8, true),
    ("L", Manner::Glide, 0.4, true),
    ("R", Manner::Glide, 0.5, true),
    ("W", Manner::Glide, 0.0, true),
    ("Y", Manner::Glide, 0.65, true),
];

#[derive(Debug, Clone, Copy, PartialEq)]
enum Manner {
    Stop,
    Affricate,
    Fricative,
    Nasal,
    Glide,
}

/// What it costs to hear one phone for another: 0 for the same, about 1 for unlike ones.
pub fn between(a: &str, b: &str) -> f32 {
    if a == b {
        return 0.0;
    }
    match (vowel(a), vowel(b), consonant(a), consonant(b)) {
        (Some(a), Some(b), ..) => (0.15 + 0.7 * (a.0 - b.0).hypot(a.1 - b.1)).min(0.9),
        (.., Some(a), Some(b)) => {
            let manner = match (a.0, b.0) {
                (a, b) if a == b => 0.0,
                (Manner::Affricate, Manner::Stop | Manner::Fricative)
                | (Manner::Stop | Manner::Fricative, Manner::Affricate) => 0.25,
                (Manner::Nasal, Manner::Glide) | (Manner::Glide, Manner::Nasal) => 0.35,
                _ => 0.5,
            };
            let voice = if a.2 == b.2 { 0.0 } else { 0.25 };
            (0.1 + manner + voice + 0.5 * (a.1 - b.1).abs()).min(1.0)
        }
        // "y" and "ee", "w" and "oo", "r" and "er" glide into each other.
        _ => match (a, b) {
            ("Y", "IY" | "IH") | ("IY" | "IH", "Y") | ("W", "UW" | "UH") | ("UW" | "UH", "W") => 0.5,
            ("R", "ER") | ("ER", "R") => 0.3,
            (NUMBER, _) | (_, NUMBER) => 3.0,
            _ => 1.2,
        },
    }
}

/// What it costs to miss a phone, or to hear one that was not said.
pub fn alone(phone: &str) -> f32 {
    match phone {
        NUMBER => 4.0,
        "AH" | "IH" | "HH" => 0.45,
        "T" | "D" => 0.55,
        _ => 0.7,
    }
}

/// Distance of two pronunciations; `None` when it is above `limit`.
pub fn distance(a: &[&str], b: &[&str], limit: f32) -> Option<f32> {
    let mut row: Vec<f32> = std::iter::once(0.0)
        .chain(b.iter().scan(0.0, |sum, phone| {
            *sum += alone(phone);
            Some(*sum)
        }))
        .collect();
    for x in a {
        let mut corner = row[0];
        row[0] += alone(x);
        for (k, y) in b.iter().enumerate() {
            let best = (corner + between(x, y)).min(row[k] + alone(y)).min(row[k + 1] + alone(x));
            corner = std::mem::replace(&mut row[k + 1], best);
        }
        if row.iter().all(|cost| *cost > limit) {
            return None;
        }
    }
    row.last().copied().filter(|cost| *cost <= limit)
}

fn vowel(phone: &str) -> Option<(f32, f32)> {
    VOWELS.iter().find(|v| v.0 == phone).map(|v| (v.1, v.2))
}

fn consonant(phone: &str) -> Option<(Manner, f32, bool)> {
    CONSONANTS.iter().find(|c| c.0 == phone).map(|c| (c.1, c.2, c.3))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn apart(a: &str, b: &str) -> f32 {
        let phones = |s: &'static str| s.split(' ').collect::<Vec<_>>();
        distance(&phones(Box::leak(a.into())), &phones(Box::leak(b.into())), 100.0).unwrap()
    }

    #[test]
    fn pairs_known_to_be_mistaken_are_nearer_than_others() {
        let (thirteen, thirty, eighty) = ("TH ER T IY N", "TH ER T IY", "EY T IY");
        assert!(apart(thirteen, thirty) < apart(thirty, eighty));
        assert!(apart("B IY", "P IY") < apart("B IY", "S IY"));
        assert!(apart("F AY V", "N AY N") < apart("F AY V", "S IH K S"));
    }

    #[test]
    fn it_is_a_distance() {
        let ways = ["TH ER T IY N", "TH ER T IY", "HH AA R T", "#", "W AH N", "R EY T #"];
        for a in ways {
            for b in ways {
                assert_eq!(apart(a, b), apart(b, a), "{a} {b}");
                assert_eq!(apart(a, b) == 0.0, a == b, "{a} {b}");
                for c in ways {
                    assert!(apart(a, c) <= apart(a, b) + apart(b, c) + 1e-4, "{a} {b} {c}");
                }
            }
        }
    }

    #[test]
    fn beyond_the_limit_nothing_is_said() {
        assert_eq!(distance(&["TH", "ER", "T", "IY"], &["S", "IH", "K", "S"], 1.0), None);
        assert_eq!(distance(&[], &["B"], 0.5), None);
        assert_eq!(distance(&[], &["B"], 0.7), Some(0.7));
    }
}
