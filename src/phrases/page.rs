//! What can be said, as one page for the wall: HTML that prints on A4 and on Letter.

use super::pattern::{Entry, Piece, groups};
use crate::grammar::meaning::number_value;
use crate::html::escape;
use crate::pack::Pack;
use std::fmt::Write;

const STYLE: &str = "
@page { margin: 7mm }
* { box-sizing: border-box }
body { font: 7.6pt/1.22 'DejaVu Sans Condensed', 'Segoe UI', Roboto, 'Noto Sans', sans-serif; color: #111; margin: 0 auto;
  padding: 7mm; max-width: 216mm }
@media print { body { padding: 0; max-width: none } }
header { display: flex; justify-content: space-between; align-items: baseline; border-bottom: 1.4pt solid #111 }
h1 { font-size: 14pt; margin: 0 }
header p { margin: 0; text-align: right }
main { columns: 3; column-gap: 4.5mm; margin-top: 1.4mm }
h2 { font-size: 8.2pt; margin: 0 0 .5mm; padding: .2mm 1.2mm; background: #123a5a; color: #fff; break-after: avoid;
  -webkit-print-color-adjust: exact; print-color-adjust: exact }
ul { list-style: none; margin: 0 0 1.6mm; padding: 0 }
li { break-inside: avoid; padding: .22mm 0 .22mm 2.2mm; text-indent: -2.2mm; border-bottom: .3pt solid #ccc }
i { color: #666; font-style: normal }
i::before { content: '[' } i::after { content: ']' }
b { white-space: nowrap }
em { display: block; color: #123a5a; font-style: italic; text-indent: 0 }
footer { border-top: .6pt solid #111; margin-top: .8mm; font-size: 6.8pt; display: flex; justify-content: space-between; gap: 5mm }
footer p { margin: .5mm 0 }
";

/// The page. It needs no other file and no network.
pub fn page(pack: &Pack) -> String {
    let manifest = &pack.manifest;
    let mut out = format!(
        "<!doctype html>\n<html lang=\"{}\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n<title>{title}: what can be called out</title>\n\
         <style>{STYLE}</style>\n</head>\n<body>\n<header><h1>{title}</h1>\
         <p>What can be called out. <i>may be left out</i> &nbsp; one / of / these &nbsp; <b>any number from–to</b></p></header>\n<main>\n",
        escape(&manifest.language),
        title = escape(&manifest.title),
    );
    for group in groups(pack) {
        let _ = write!(out, "<section><h2>{}</h2>\n<ul>\n", escape(&capitalised(&group.name)));
        for one in &group.entries {
            out += &entry(one);
        }
        out += "</ul></section>\n";
    }
    let _ = write!(
        out,
        "</main>\n<footer><p>{}</p><p>Pack {} {} · {}<br>Numbers in examples show how to say one, and advise nothing.</p></footer>\n</body>\n</html>\n",
        escape(&manifest.caution),
        escape(&pack.id.name),
        escape(&pack.id.version),
        &pack.id.sha256[..12],
    );
    out
}

fn entry(entry: &Entry) -> String {
    let example = match entry.has_number() {
        true => format!("<em>“{}”</em>", escape(&letters(&entry.example))),
        false => String::new(),
    };
    format!("<li>{}{example}</li>\n", html(&entry.pattern, true))
}

fn html(pieces: &[Piece], alone: bool) -> String {
    let mut out = Vec::new();
    let mut words: Vec<&str> = Vec::new();
    for piece in pieces {
        if let Piece::Word(word) = piece {
            words.push(word);
            continue;
        }
        flush(&mut words, &mut out);
        out.push(match piece {
            Piece::Word(_) => continue,
            Piece::Optional(inner) => format!("<i>{}</i>", html(inner, true)),
            Piece::Choice(ways) => {
                let ways = ways.iter().map(|way| html(way, false)).collect::<Vec<_>>().join(" / ");
                if alone && pieces.len() == 1 { ways } else { format!("({ways})") }
            }
            Piece::Number(range) => format!("<b>{}–{}</b>", number_value(range.low), number_value(range.high)),
        });
    }
    flush(&mut words, &mut out);
    out.join(" ")
}

fn flush(words: &mut Vec<&str>, out: &mut Vec<String>) {
    if !words.is_empty() {
        out.push(escape(&letters(&words.join(" "))));
        words.clear();
    }
}

/// Letters that are spelled stand as capitals: "C O two". The article "a" is none.
fn letters(text: &str) -> String {
    let words: Vec<&str> = text.split(' ').collect();
    let spelled = |word: &str| word.len() == 1 && word.bytes().all(|b| b.is_ascii_lowercase());
    let capital = |k: usize| {
        spelled(words[k]) && (words[k] != "a" || k.checked_sub(1).is_some_and(|before| spelled(words[before])))
    };
    let shown = (0..words.len()).map(|k| if capital(k) { words[k].to_uppercase() } else { words[k].into() });
    shown.collect::<Vec<_>>().join(" ")
}

fn capitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}
