//! What is particular about the names of files on Windows.

use std::path::{Path, PathBuf};

/// Devices that Windows finds in every folder (Microsoft, "Naming Files, Paths, and Namespaces").
const DEVICES: &[&str] = &["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"];

/// More of them, each with a digit behind.
const NUMBERED_DEVICES: &[&str] = &["COM", "LPT"];

/// Characters that stand in no name there, beside control characters and those that part names.
const NEVER: &[char] = &['<', '>', ':', '"', '|', '?', '*'];

/// What Windows names so that nothing in it is taken for anything but a name.
const LITERAL: &str = r"\\?\";

/// Longest name that programs open which know no literal names.
const LONGEST: usize = 259;

/// A name in full, symbolic links followed.
///
/// # Errors
/// The system's, when there is no such file or folder.
pub fn real(path: &Path) -> std::io::Result<PathBuf> {
    std::fs::canonicalize(path).map(plain)
}

/// A name as people write it, where that stands for the same file.
fn plain(path: PathBuf) -> PathBuf {
    let name = path.to_str().and_then(|text| text.strip_prefix(LITERAL));
    match name {
        Some(name) if is_plain(name) => name.into(),
        _ => path,
    }
}

/// Whether a name with its drive is understood the same without the literal mark.
fn is_plain(name: &str) -> bool {
    let drive =
        matches!(name.as_bytes(), [letter, b':', b'\\', ..] if letter.is_ascii_alphabetic());
    drive && name.len() <= LONGEST && name[3..].split('\\').all(|part| flaw(part).is_none())
}

/// Why a file or folder on Windows cannot bear a name; `None` if it can.
pub fn flaw(name: &str) -> Option<&'static str> {
    let stem = name.split('.').next().unwrap_or_default().trim_end();
    let is = |device: &&str| stem.eq_ignore_ascii_case(device);
    let digit = |c: char| matches!(c, '0'..='9' | '¹' | '²' | '³');
    let numbered = stem
        .char_indices()
        .next_back()
        .filter(|&(_, last)| digit(last))
        .is_some_and(|(at, _)| {
            let word = &stem[..at];
            NUMBERED_DEVICES
                .iter()
                .any(|device| word.eq_ignore_ascii_case(device))
        });
    if DEVICES.iter().any(is) || numbered {
        return Some("on Windows this name stands for a device");
    }
    if name.contains(NEVER) || name.contains(char::is_control) {
        return Some("Windows has no names with < > : \" | ? * or control characters");
    }
    let ends = name.ends_with([' ', '.']) && !name.trim_end_matches('.').is_empty();
    ends.then_some("Windows drops a dot or a space at the end of a name")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn devices_are_known_in_any_spelling() {
        for name in [
            "CON",
            "nul",
            "Aux",
            "prn",
            "com1",
            "LPT9",
            "COM²",
            "nul.txt",
            "con.tar.gz",
            "NUL .txt",
            "conin$",
        ] {
            let what = Some("on Windows this name stands for a device");
            assert_eq!(flaw(name), what, "{name}");
        }
    }

    #[test]
    fn what_windows_has_no_names_for_is_told() {
        for name in ["a:b", "what?", "a\tb", "\"a\"", "*"] {
            assert!(
                flaw(name).unwrap().starts_with("Windows has no names"),
                "{name}"
            );
        }
        for name in ["mars.", "mars ", "mars. ."] {
            assert!(flaw(name).unwrap().starts_with("Windows drops"), "{name}");
        }
    }

    #[test]
    fn all_other_names_may_be_borne() {
        for name in [
            "mars",
            "console",
            "com",
            "COM10",
            "comet1",
            "nulls.txt",
            ".con",
            "Ölberg",
            "火星",
            "..",
            ".",
            "a b",
            "annul",
            "²",
        ] {
            assert_eq!(flaw(name), None, "{name}");
        }
    }

    #[test]
    fn literal_names_are_shown_as_people_write_them() {
        for (literal, shown) in [
            (r"\\?\C:\globes\mars", r"C:\globes\mars"),
            (r"\\?\d:\Ölberg\a b", r"d:\Ölberg\a b"),
            // These would mean something else.
            (r"\\?\C:\globes\nul", r"\\?\C:\globes\nul"),
            (r"\\?\C:\globes\mars.", r"\\?\C:\globes\mars."),
            (r"\\?\UNC\server\share", r"\\?\UNC\server\share"),
            (r"\\?\Volume{1}\mars", r"\\?\Volume{1}\mars"),
            ("/globes/mars", "/globes/mars"),
        ] {
            assert_eq!(plain(literal.into()), Path::new(shown));
        }
        let long = format!(r"\\?\C:\{}", "a".repeat(300));
        assert_eq!(plain(long.clone().into()), Path::new(&long));
    }
}
