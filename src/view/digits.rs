//! Large digits for the clock, three lines high, of half blocks.

/// Five rows of three dots each, the highest row first.
fn dots(c: char) -> [u8; 5] {
    match c {
        '0' => [0b111, 0b101, 0b101, 0b101, 0b111],
        '1' => [0b010, 0b110, 0b010, 0b010, 0b111],
        '2' => [0b111, 0b001, 0b111, 0b100, 0b111],
        '3' => [0b111, 0b001, 0b111, 0b001, 0b111],
        '4' => [0b101, 0b101, 0b111, 0b001, 0b001],
        '5' => [0b111, 0b100, 0b111, 0b001, 0b111],
        '6' => [0b111, 0b100, 0b111, 0b101, 0b111],
        '7' => [0b111, 0b001, 0b001, 0b010, 0b010],
        '8' => [0b111, 0b101, 0b111, 0b101, 0b111],
        '9' => [0b111, 0b101, 0b111, 0b001, 0b111],
        ':' => [0b000, 0b010, 0b000, 0b010, 0b000],
        '-' => [0b000, 0b000, 0b111, 0b000, 0b000],
        _ => [0; 5],
    }
}

/// Three lines of text that show `text`, which is digits, `:` and `-`.
pub fn large(text: &str) -> [String; 3] {
    let line = |upper: usize| {
        let mut line = String::new();
        for c in text.chars() {
            let dots = dots(c);
            let row = |number: usize| dots.get(number).copied().unwrap_or(0);
            for bit in [0b100, 0b010, 0b001] {
                line.push(match (row(upper) & bit != 0, row(upper + 1) & bit != 0) {
                    (true, true) => '█',
                    (true, false) => '▀',
                    (false, true) => '▄',
                    (false, false) => ' ',
                });
            }
            line.push(' ');
        }
        line
    };
    [line(0), line(2), line(4)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_two_is_a_two() {
        assert_eq!(large("2"), ["▀▀█ ", "█▀▀ ", "▀▀▀ "]);
    }
}
