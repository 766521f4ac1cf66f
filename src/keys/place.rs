//! Where the keys lie on the pad, and what stands on them.

use crate::pack::keypad::{Act, Key, Keypad, Layer};

/// A key's place in the grid of four columns and five rows.
pub struct Place {
    /// `None` is NumLock, which has no meaning.
    pub key: Option<Key>,
    pub row: usize,
    pub column: usize,
    pub rows: usize,
    pub columns: usize,
}

const fn at(key: Option<Key>, row: usize, column: usize, rows: usize, columns: usize) -> Place {
    Place { key, row, column, rows, columns }
}

/// The seventeen keys.
pub const KEYS: [Place; 17] = [
    at(None, 0, 0, 1, 1),
    at(Some(Key::Over), 0, 1, 1, 1),
    at(Some(Key::Times), 0, 2, 1, 1),
    at(Some(Key::Minus), 0, 3, 1, 1),
    at(Some(Key::Digit(7)), 1, 0, 1, 1),
    at(Some(Key::Digit(8)), 1, 1, 1, 1),
    at(Some(Key::Digit(9)), 1, 2, 1, 1),
    at(Some(Key::Plus), 1, 3, 2, 1),
    at(Some(Key::Digit(4)), 2, 0, 1, 1),
    at(Some(Key::Digit(5)), 2, 1, 1, 1),
    at(Some(Key::Digit(6)), 2, 2, 1, 1),
    at(Some(Key::Digit(1)), 3, 0, 1, 1),
    at(Some(Key::Digit(2)), 3, 1, 1, 1),
    at(Some(Key::Digit(3)), 3, 2, 1, 1),
    at(Some(Key::Enter), 3, 3, 2, 1),
    at(Some(Key::Digit(0)), 4, 0, 1, 2),
    at(Some(Key::Point), 4, 2, 1, 1),
];

/// What stands on a key.
#[derive(Default)]
pub struct Face {
    /// `4 #` asks for a number, `4 [#]` takes one.
    pub name: String,
    pub label: String,
    pub role: Role,
}

#[derive(Default, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    #[default]
    Free,
    Event,
    Scribe,
    /// Opens a layer, or is the one that opened this.
    Layer,
}

/// The face of a key in a layer, the `number`th of the layout.
pub fn face(layout: &Keypad, number: usize, layer: &Layer, key: Option<Key>) -> Face {
    let Some(key) = key else { return Face { name: "Num".into(), ..Face::default() } };
    if let Some(binding) = layer.keys.get(&key) {
        let (mark, role) = match &binding.act {
            Act::Event { number: Some(number), .. } if number.optional => (" [#]", Role::Event),
            Act::Event { number: Some(_), .. } => (" #", Role::Event),
            Act::Event { number: None, .. } => ("", Role::Event),
            Act::Scribe(crate::pack::keypad::Scribe::Amend) => (" #", Role::Scribe),
            Act::Scribe(_) => ("", Role::Scribe),
        };
        return Face { name: format!("{key}{mark}"), label: binding.label.clone(), role };
    }
    let opened = layout.layers.iter().find(|layer| layer.after == Some(key));
    match opened {
        Some(_) if layer.after == Some(key) => {
            Face { name: format!("{key} ●"), label: String::new(), role: Role::Layer }
        }
        Some(opened) if number == 0 => {
            Face { name: format!("{key} ▸"), label: opened.title.clone(), role: Role::Layer }
        }
        _ => Face { name: key.to_string(), ..Face::default() },
    }
}
