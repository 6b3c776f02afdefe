//! The lesser and the greater of two finite numbers: one vector instruction each, unlike the
//! standard library's `min` and `max` of floats, which mind NaN. And the extremes of levels.

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

/// The greatest of numbers of which none is NaN; of none −∞.
#[inline(always)]
pub fn greatest(values: &[f32]) -> f32 {
    let mut greatest = [f32::NEG_INFINITY; LANES];
    let (chunks, rest) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for lane in 0..LANES {
            greatest[lane] = greater(greatest[lane], chunk[lane]);
        }
    }
    for (lane, value) in rest.iter().enumerate() {
        greatest[lane] = greater(greatest[lane], *value);
    }
    let mut half = LANES / 2;
    while half > 0 {
        for lane in 0..half {
            greatest[lane] = greater(greatest[lane], greatest[lane + half]);
        }
        half /= 2;
    }
    greatest[0]
}

/// The upper half of the unsigned numbers. Every x86 processor compares eight signed words at
/// once, but few compare unsigned ones, so levels are moved there and back.
const HALF: u16 = 1 << 15;

/// The least of some levels; of none the greatest there is.
pub fn least_level(levels: &[u16]) -> u16 {
    let signed = levels.iter().map(|level| (level ^ HALF) as i16);
    signed.fold(i16::MAX, i16::min) as u16 ^ HALF
}

/// The least above 0, the level of what is not carved.
pub fn least_carved_level(levels: &[u16]) -> u16 {
    let signed = levels
        .iter()
        .map(|level| (level.wrapping_sub(1) ^ HALF) as i16);
    (signed.fold(i16::MAX, i16::min) as u16 ^ HALF).saturating_add(1)
}

/// The greatest of some levels; of none 0.
pub fn greatest_level(levels: &[u16]) -> u16 {
    let signed = levels.iter().map(|level| (level ^ HALF) as i16);
    signed.fold(i16::MIN, i16::max) as u16 ^ HALF
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

    #[test]
    fn extremes_of_levels_are_found_on_either_side_of_half() {
        for levels in [
            &[7, 40_000, 65_535][..],
            &[65_535, 32_768],
            &[32_767],
            &[0, 1],
        ] {
            assert_eq!(Some(&least_level(levels)), levels.iter().min());
            assert_eq!(Some(&greatest_level(levels)), levels.iter().max());
            let carved = levels.iter().filter(|level| **level > 0).min();
            assert_eq!(Some(&least_carved_level(levels)), carved);
        }
        assert_eq!((least_level(&[]), greatest_level(&[])), (u16::MAX, 0));
    }
}
