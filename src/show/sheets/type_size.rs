//! How wide words are, and where they break.

/// Advance widths of the letters from space to tilde, hundredths of the type's height: the `hmtx`
/// table of the DejaVu Sans that the sheets are set in.
#[rustfmt::skip]
const ADVANCE: [u8; 95] = [
    32, 40, 46, 84, 64, 95, 78, 27, 39, 39, 50, 84, 32, 36, 32, 34, 64, 64, 64, 64, 64, 64, 64, 64,
    64, 64, 34, 34, 84, 84, 84, 53, 100, 68, 69, 70, 77, 63, 58, 77, 75, 29, 29, 66, 56, 86, 75, 79,
    60, 79, 69, 63, 61, 73, 68, 99, 69, 61, 69, 39, 34, 39, 84, 50, 50, 61, 63, 55, 63, 62, 35, 63,
    63, 28, 28, 58, 28, 97, 63, 61, 63, 63, 41, 52, 39, 63, 59, 82, 59, 59, 52, 64, 34, 64, 84,
];

/// Width of any other letter, likewise: few are wider.
const OTHER: u8 = 84;

/// Width of words in type of that height, mm.
pub fn width(words: &str, size_mm: f64) -> f64 {
    let advance = |c: char| {
        let index = (c as usize).checked_sub(32);
        f64::from(index.and_then(|i| ADVANCE.get(i)).copied().unwrap_or(OTHER))
    };
    words.chars().map(advance).sum::<f64>() * 0.01 * size_mm
}

/// The words in lines no longer than the room, broken at spaces.
pub fn wrapped(words: &str, size_mm: f64, room_mm: f64) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in words.split_whitespace() {
        if let Some(line) = lines.last_mut() {
            let longer = format!("{line}{}{word}", if line.is_empty() { "" } else { " " });
            if line.is_empty() || width(&longer, size_mm) <= room_mm {
                *line = longer;
            } else {
                lines.push(word.to_owned());
            }
        }
    }
    lines
}

/// The largest type up to `size_mm` in which the words fit the room, mm.
pub fn fitted(words: &str, size_mm: f64, room_mm: f64) -> f64 {
    size_mm * (room_mm / width(words, size_mm).max(1e-9)).min(1.0)
}

/// What SVG calls the place words are held at.
pub fn anchor_name(anchor: i8) -> &'static str {
    match anchor {
        -1 => "start",
        0 => "middle",
        _ => "end",
    }
}
