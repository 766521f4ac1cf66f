//! Which of Linux's key codes stands for which key, NumLock on or off.

use crate::pack::keypad::Key;
use evdev::KeyCode;

/// Most keypads send the same codes whatever NumLock is; some send those of the arrows when it is off,
/// and some the digits above the letters.
pub fn key(code: KeyCode) -> Option<Key> {
    Some(match code {
        KeyCode::KEY_KP0 | KeyCode::KEY_INSERT | KeyCode::KEY_0 => Key::Digit(0),
        KeyCode::KEY_KP1 | KeyCode::KEY_END | KeyCode::KEY_1 => Key::Digit(1),
        KeyCode::KEY_KP2 | KeyCode::KEY_DOWN | KeyCode::KEY_2 => Key::Digit(2),
        KeyCode::KEY_KP3 | KeyCode::KEY_PAGEDOWN | KeyCode::KEY_3 => Key::Digit(3),
        KeyCode::KEY_KP4 | KeyCode::KEY_LEFT | KeyCode::KEY_4 => Key::Digit(4),
        KeyCode::KEY_KP5 | KeyCode::KEY_CLEAR | KeyCode::KEY_5 => Key::Digit(5),
        KeyCode::KEY_KP6 | KeyCode::KEY_RIGHT | KeyCode::KEY_6 => Key::Digit(6),
        KeyCode::KEY_KP7 | KeyCode::KEY_HOME | KeyCode::KEY_7 => Key::Digit(7),
        KeyCode::KEY_KP8 | KeyCode::KEY_UP | KeyCode::KEY_8 => Key::Digit(8),
        KeyCode::KEY_KP9 | KeyCode::KEY_PAGEUP | KeyCode::KEY_9 => Key::Digit(9),
        KeyCode::KEY_KPDOT | KeyCode::KEY_KPCOMMA | KeyCode::KEY_DELETE | KeyCode::KEY_DOT | KeyCode::KEY_COMMA => {
            Key::Point
        }
        KeyCode::KEY_KPENTER | KeyCode::KEY_ENTER => Key::Enter,
        KeyCode::KEY_KPPLUS => Key::Plus,
        // Backspace takes a digit back, as - does.
        KeyCode::KEY_KPMINUS | KeyCode::KEY_MINUS | KeyCode::KEY_BACKSPACE => Key::Minus,
        KeyCode::KEY_KPASTERISK => Key::Times,
        KeyCode::KEY_KPSLASH | KeyCode::KEY_SLASH => Key::Over,
        _ => return None,
    })
}

/// The keys without which a device is no keypad.
pub const NEEDED: [KeyCode; 12] = [
    KeyCode::KEY_KP0,
    KeyCode::KEY_KP1,
    KeyCode::KEY_KP2,
    KeyCode::KEY_KP3,
    KeyCode::KEY_KP4,
    KeyCode::KEY_KP5,
    KeyCode::KEY_KP6,
    KeyCode::KEY_KP7,
    KeyCode::KEY_KP8,
    KeyCode::KEY_KP9,
    KeyCode::KEY_KPDOT,
    KeyCode::KEY_KPENTER,
];

/// A device with these is a whole keyboard, or claims to be one.
pub const LETTERS: [KeyCode; 3] = [KeyCode::KEY_A, KeyCode::KEY_E, KeyCode::KEY_SPACE];
