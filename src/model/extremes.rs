//! The lesser and the greater of two finite numbers: one vector instruction each, unlike the
//! standard library's `min` and `max` of floats, which mind NaN.

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
