//! What can be said, as plain text.

use super::near::Near;
use super::pattern::{Entry, Piece, groups};
use crate::grammar::meaning::number_value;
use crate::pack::Pack;

/// Lines are wrapped here.
const WIDTH: usize = 100;

/// All groups, a line or two for each call-out.
pub fn text(pack: &Pack) -> String {
    let mut out = format!("{}: what can be called out\n", pack.manifest.title);
    out += "[may be left out]  (one / of / these)  <a number from–to>\n";
    for group in groups(pack) {
        out += &format!("\n{}\n", group.name.to_uppercase());
        for entry in &group.entries {
            out += &lines(entry);
        }
    }
    out + "\n" + &pack.manifest.caution + "\n"
}

/// What sounds too alike, nearest first.
pub fn warnings(near: &Near) -> String {
    let mut out = String::from("Distance in phones: 0 sounds the same, 1 is one phone for an unlike one.\n");
    out += "\nNUMBERS THAT SOUND ALIKE\n";
    for pair in &near.numbers {
        let [a, b] = &pair.words;
        let [x, y] = &pair.example;
        let pairs = if pair.count == 1 { "pair" } else { "pairs" };
        out += &format!(
            "  {:.2}  {:<22}{} {pairs} of numbers, as {x} / {y}\n",
            pair.distance,
            format!("{a} / {b}"),
            pair.count
        );
    }
    let (decoys, call_outs): (Vec<_>, Vec<_>) = near.call_outs.iter().partition(|pair| pair.decoy);
    for (title, pairs) in
        [("CALL-OUTS THAT SOUND ALIKE", call_outs), ("CALL-OUTS NEAR WHAT IS RECOGNISED ONLY TO BE REFUSED", decoys)]
    {
        out += &format!("\n{title}\n");
        for pair in pairs {
            let [a, b] = pair.words.each_ref().map(|words| words.replace('#', "<number>"));
            out += &format!("  {:.2}  {a} / {b}\n", pair.distance);
        }
    }
    out
}

fn lines(entry: &Entry) -> String {
    let pattern = plain(&entry.pattern);
    let mut out = wrap(&pattern, "  ", "      ");
    if pattern == entry.example {
        return out;
    }
    out += &wrap(&format!("\"{}\" → {}", entry.example, entry.meaning), "        e.g. ", "             ");
    out
}

/// A pattern in one line.
pub(super) fn plain(pieces: &[Piece]) -> String {
    match pieces {
        // Alone, a choice needs no parentheses.
        [Piece::Choice(ways)] => ways.iter().map(|way| plain(way)).collect::<Vec<_>>().join(" / "),
        _ => pieces.iter().map(piece).collect::<Vec<_>>().join(" "),
    }
}

fn piece(piece: &Piece) -> String {
    match piece {
        Piece::Word(word) => word.clone(),
        Piece::Optional(inner) => format!("[{}]", plain(inner)),
        Piece::Choice(ways) => format!("({})", ways.iter().map(|way| plain(way)).collect::<Vec<_>>().join(" / ")),
        Piece::Number(range) => format!("<{}–{}>", number_value(range.low), number_value(range.high)),
    }
}

fn wrap(text: &str, first: &str, further: &str) -> String {
    let mut out = String::from(first);
    let mut column = first.chars().count();
    for (k, word) in text.split(' ').enumerate() {
        let width = word.chars().count();
        if k > 0 && column + 1 + width > WIDTH {
            out += &format!("\n{further}");
            column = further.chars().count();
        } else if k > 0 {
            out.push(' ');
            column += 1;
        }
        out += word;
        column += width;
    }
    out + "\n"
}
