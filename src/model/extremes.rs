//! The lesser and the greater of two finite numbers: one vector instruction each, unlike the
//! standard library's `min` and `max` of floats, which mind NaN.

use super::parallel;

/// The lesser of two numbers that are not NaN.
#[inline(always)]
pub fn lesser<T: PartialOrd>(a: T, b: T) -> T {
    if b < a { b } else { a }
}

/// The greater of two numbers that are not NaN.
#[inline(always)]
pub fn greater<T: PartialOrd>(a: T, b: T) -> T {
    if b > a { b } else { a }
}

/// Numbers compared side by side, for one maximum would wait for the one before.
const LANES: usize = 16;

/// Numbers that a thread takes at a time.
const AT_ONCE: usize = 1 << 14;

/// The least and the greatest of numbers of which none is NaN; of none the largest and the smallest
/// there are.
pub fn ends(values: &[f32]) -> (f32, f32) {
    if values.len() <= AT_ONCE {
        return ends_of_few(values);
    }
    let pieces: Vec<&[f32]> = values.chunks(AT_ONCE).collect();
    let of_pieces = parallel::mapped(&pieces, &|piece| ends_of_few(piece));
    let both = |all: (f32, f32), one: (f32, f32)| (lesser(all.0, one.0), greater(all.1, one.1));
    of_pieces.into_iter().fold((f32::MAX, f32::MIN), both)
}

fn ends_of_few(values: &[f32]) -> (f32, f32) {
    let (mut least, mut greatest) = ([f32::MAX; LANES], [f32::MIN; LANES]);
    let (chunks, rest) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for lane in 0..LANES {
            least[lane] = lesser(least[lane], chunk[lane]);
            greatest[lane] = greater(greatest[lane], chunk[lane]);
        }
    }
    (
        least.iter().chain(rest).copied().fold(f32::MAX, lesser),
        greatest.iter().chain(rest).copied().fold(f32::MIN, greater),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ends_are_found_wherever_they_lie() {
        assert_eq!(ends(&[]), (f32::MAX, f32::MIN));
        for count in [1, 15, 16, 17, AT_ONCE, AT_ONCE + 5, 3 * AT_ONCE + 40] {
            let mut values = vec![0.25; count];
            for at in [0, count / 2, count - 1] {
                values[at] = -3.0;
                assert_eq!(ends(&values).0, -3.0, "{count} {at}");
                values[at] = 7.0;
                assert_eq!(ends(&values).1, 7.0, "{count} {at}");
                values[at] = 0.25;
            }
            assert_eq!(ends(&values), (0.25, 0.25));
        }
    }
}
