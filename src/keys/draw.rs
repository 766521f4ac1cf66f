//! The layout as a drawing in plain text.

use super::place::{KEYS, Place, face};
use crate::pack::keypad::{Keypad, LABEL_WIDTH, Layer, wrap};

/// A key's share of the drawing, in characters, its borders counted once.
const WIDE: usize = LABEL_WIDTH + 3;
const HIGH: usize = 4;

/// Every layer, drawn as the keys lie on the pad; 65 columns.
pub fn text(layout: &Keypad) -> String {
    let mut out = format!("{}\n", layout.title);
    for (number, layer) in layout.layers.iter().enumerate() {
        let how = layer.after.map_or("plain keys".into(), |key| format!("after {key}, or while it is held"));
        out += &format!("\n{}: {how}\n{}", layer.title, draw(layout, number, layer));
    }
    out + "\n# asks for a number: type it, Enter ends it, - takes the last digit back.\n\
           [#] takes Enter alone, too. NumLock has no meaning here.\n"
}

fn draw(layout: &Keypad, number: usize, layer: &Layer) -> String {
    let mut canvas = Canvas { arms: vec![[0; 4 * WIDE + 1]; 5 * HIGH + 1], letters: vec![] };
    for place in &KEYS {
        canvas.frame(place);
        let face = face(layout, number, layer, place.key);
        let lines = wrap(&face.label).unwrap_or_default();
        canvas.letters.push((place.row * HIGH + 1, place.column * WIDE + 2, face.name));
        for (k, line) in lines.into_iter().enumerate() {
            canvas.letters.push((place.row * HIGH + 2 + k, place.column * WIDE + 2, line));
        }
    }
    canvas.print()
}

/// Lines between keys, as the arms that meet at each character: up 1, down 2, left 4, right 8.
struct Canvas {
    arms: Vec<[u8; 4 * WIDE + 1]>,
    letters: Vec<(usize, usize, String)>,
}

/// Indexed by the arms.
const LINES: [char; 16] = [' ', '╵', '╷', '│', '╴', '┘', '┐', '┤', '╶', '└', '┌', '├', '─', '┴', '┬', '┼'];

impl Canvas {
    fn frame(&mut self, place: &Place) {
        let (top, left) = (place.row * HIGH, place.column * WIDE);
        let (bottom, right) = (top + place.rows * HIGH, left + place.columns * WIDE);
        for row in [top, bottom] {
            for column in left..right {
                self.arms[row][column] |= 8;
                self.arms[row][column + 1] |= 4;
            }
        }
        for column in [left, right] {
            for row in top..bottom {
                self.arms[row][column] |= 2;
                self.arms[row + 1][column] |= 1;
            }
        }
    }

    fn print(&self) -> String {
        let mut rows: Vec<Vec<char>> =
            self.arms.iter().map(|row| row.iter().map(|arms| LINES[usize::from(*arms)]).collect()).collect();
        for (row, column, text) in &self.letters {
            for (k, letter) in text.chars().enumerate() {
                rows[*row][column + k] = letter;
            }
        }
        rows.into_iter().map(|row| row.into_iter().collect::<String>().trim_end().to_string() + "\n").collect()
    }
}
