//! How wide words are, and where they break.

use crate::show::pictures::text_width;

/// The words in lines no longer than the room, broken at spaces.
pub fn wrapped(words: &str, size_mm: f64, room_mm: f64) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in words.split_whitespace() {
        if let Some(line) = lines.last_mut() {
            let longer = format!("{line}{}{word}", if line.is_empty() { "" } else { " " });
            if line.is_empty() || text_width(&longer, size_mm) <= room_mm {
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
    size_mm * (room_mm / text_width(words, size_mm).max(1e-9)).min(1.0)
}

/// What SVG calls the place words are held at.
pub fn anchor_name(anchor: i8) -> &'static str {
    match anchor {
        -1 => "start",
        0 => "middle",
        _ => "end",
    }
}
