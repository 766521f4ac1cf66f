//! The layout as one page to print, on A4 or Letter.

use super::place::{KEYS, Place, Role, face};
use crate::html::escape;
use crate::pack::Manifest;
use crate::pack::keypad::{Keypad, Layer};
use std::fmt::Write;

const STYLE: &str = include_str!("page.css");

/// A whole HTML document that needs nothing else.
pub fn html(layout: &Keypad, about: &Manifest) -> String {
    let pads: String = layout.layers.iter().enumerate().map(|(number, layer)| pad(layout, number, layer)).collect();
    let title = escape(&layout.title);
    format!(
        "<!DOCTYPE html>\n<html lang=\"{language}\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n<title>Keypad: {title}</title>\n\
         <style>\n{STYLE}</style>\n</head>\n<body>\n<h1>Keypad: {title}</h1>\n<main>\n{pads}\
         <section class=\"how\">\n<h2>How it works</h2>\n<ul>\n\
         <li>A grey key opens a layer: press it, then the next key. Or hold it and press several.</li>\n\
         <li><b>#</b> asks for a number: heart rate 120 is <kbd>4</kbd> <kbd>1</kbd> <kbd>2</kbd> <kbd>0</kbd> \
         <kbd>Enter</kbd>. <b>[#]</b> takes Enter alone, too.</li>\n\
         <li>While a number is typed, <kbd>-</kbd> takes the last digit back, and at last leaves it.</li>\n\
         <li>The time that is written is that of the key that names the event.</li>\n\
         <li>NumLock has no meaning here: on or off, the keys do the same.</li>\n</ul>\n\
         <p>{caution}</p>\n<p>Pack {name} {version}.</p>\n</section>\n</main>\n</body>\n</html>\n",
        language = escape(&about.language),
        caution = escape(&about.caution),
        name = escape(&about.name),
        version = escape(&about.version),
    )
}

fn pad(layout: &Keypad, number: usize, layer: &Layer) -> String {
    let how =
        layer.after.map_or("the plain keys".into(), |key| format!("after <kbd>{}</kbd>", escape(&key.to_string())));
    let mut out = format!("<section>\n<h2>{} <small>{how}</small></h2>\n<div class=\"pad\">\n", escape(&layer.title));
    for place in &KEYS {
        let Place { row, column, rows, columns, .. } = place;
        let face = face(layout, number, layer, place.key);
        let class = match face.role {
            Role::Free => "free",
            Role::Event => "event",
            Role::Scribe => "scribe",
            Role::Layer => "layer",
        };
        let _ = writeln!(
            out,
            "<div class=\"{class}\" style=\"grid-area:{}/{}/span {rows}/span {columns}\"><b>{}</b> {}</div>",
            row + 1,
            column + 1,
            escape(&face.name),
            escape(&face.label)
        );
    }
    out + "</div>\n</section>\n"
}
