//! Letters that can be read from a metre away: five rows of block characters, for the live watch.
//!
//! Each letter is five wide and one apart, so that twelve of them fit into 80 columns. Only what the watch says has a shape.

/// Rows of a letter, the leftmost dot in the highest of five bits.
fn shape(letter: char) -> [u8; 5] {
    match letter {
        'A' => [0b01110, 0b10001, 0b11111, 0b10001, 0b10001],
        'B' => [0b11110, 0b10001, 0b11110, 0b10001, 0b11110],
        'C' => [0b01111, 0b10000, 0b10000, 0b10000, 0b01111],
        'D' => [0b11110, 0b10001, 0b10001, 0b10001, 0b11110],
        'E' => [0b11111, 0b10000, 0b11110, 0b10000, 0b11111],
        'F' => [0b11111, 0b10000, 0b11110, 0b10000, 0b10000],
        'G' => [0b01111, 0b10000, 0b10011, 0b10001, 0b01111],
        'I' => [0b01110, 0b00100, 0b00100, 0b00100, 0b01110],
        'L' => [0b10000, 0b10000, 0b10000, 0b10000, 0b11111],
        'N' => [0b10001, 0b11001, 0b10101, 0b10011, 0b10001],
        'O' => [0b01110, 0b10001, 0b10001, 0b10001, 0b01110],
        'P' => [0b11110, 0b10001, 0b11110, 0b10000, 0b10000],
        'R' => [0b11110, 0b10001, 0b11110, 0b10010, 0b10001],
        'S' => [0b01111, 0b10000, 0b01110, 0b00001, 0b11110],
        'T' => [0b11111, 0b00100, 0b00100, 0b00100, 0b00100],
        'U' => [0b10001, 0b10001, 0b10001, 0b10001, 0b01110],
        'W' => [0b10001, 0b10001, 0b10101, 0b11011, 0b10001],
        '1' => [0b00100, 0b01100, 0b00100, 0b00100, 0b01110],
        '2' => [0b11110, 0b00001, 0b01110, 0b10000, 0b11111],
        '3' => [0b11110, 0b00001, 0b00110, 0b00001, 0b11110],
        '4' => [0b10010, 0b10010, 0b11111, 0b00010, 0b00010],
        '5' => [0b11111, 0b10000, 0b11110, 0b00001, 0b11110],
        '6' => [0b01110, 0b10000, 0b11110, 0b10001, 0b01110],
        '7' => [0b11111, 0b00010, 0b00100, 0b01000, 0b01000],
        '8' => [0b01110, 0b10001, 0b01110, 0b10001, 0b01110],
        _ => [0; 5],
    }
}

/// Returns the word in large letters, five lines.
pub fn large(word: &str) -> String {
    let rows = (0..5).map(|row| {
        let line: String = word
            .chars()
            .map(|letter| {
                let dots = shape(letter)[row];
                let dot = |bit: u8| if dots >> bit & 1 == 1 { '\u{2588}' } else { ' ' };
                [dot(4), dot(3), dot(2), dot(1), dot(0), ' '].into_iter().collect::<String>()
            })
            .collect();
        line.trim_end().to_owned()
    });
    rows.collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use job::contacts::Word;

    use super::*;

    #[test]
    fn every_word_of_the_watch_has_a_shape_and_fits_80_columns() {
        let pins = (1..=8).map(Word::Reseat);
        let words = [
            Word::Seated,
            Word::ReseatAll,
            Word::ClipOff,
            Word::NoPower,
            Word::BusInUse,
            Word::NoAnswer,
            Word::Unplugged,
        ];
        for word in words.into_iter().chain(pins) {
            let text = word.text();
            for letter in text.chars().filter(|letter| *letter != ' ') {
                assert_ne!(shape(letter), [0; 5], "{letter} of {text}");
            }
            let large = large(&text);
            assert_eq!(large.lines().count(), 5);
            assert!(large.lines().all(|line| line.chars().count() <= 80), "{text}");
        }
    }

    #[test]
    fn a_word_is_drawn() {
        let wanted = "█████ ████\n  █   █   █\n  █   ████\n  █   █   █\n  █   ████";
        assert_eq!(large("TB"), wanted);
    }
}
