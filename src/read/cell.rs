//! Types of numbers that cells are worked on in.

/// A number as it is read.
pub(super) trait Cell: Copy + Into<f64> {
    /// Whether it stands for "no data"; floats do when they are NaN, whatever `code` is.
    fn is_missing(self, code: Self) -> bool;
}

impl Cell for f32 {
    #[inline(always)]
    fn is_missing(self, _code: f32) -> bool {
        self.is_nan()
    }
}

/// A type of whole numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum IntegerType {
    U8,
    I16,
    U16,
}

impl IntegerType {
    /// Smallest and largest number of the type.
    pub fn range(self) -> (f64, f64) {
        match self {
            IntegerType::U8 => (0.0, 255.0),
            IntegerType::I16 => (-32768.0, 32767.0),
            IntegerType::U16 => (0.0, 65535.0),
        }
    }
}

/// A stored whole number.
pub(super) trait StoredInteger:
    Cell + Default + PartialEq + Ord + Send + Sync + Into<i64>
{
    /// Smallest number of the type.
    const LOWEST: i64;
    /// Position above the smallest number of the type.
    fn index(self) -> u16;
    /// The number at a position.
    fn at(index: u16) -> Self;
}

impl Cell for i16 {
    #[inline(always)]
    fn is_missing(self, code: i16) -> bool {
        self == code
    }
}

impl StoredInteger for i16 {
    const LOWEST: i64 = i16::MIN as i64;
    #[inline(always)]
    fn index(self) -> u16 {
        self as u16 ^ 0x8000
    }
    fn at(index: u16) -> i16 {
        (index ^ 0x8000) as i16
    }
}

impl Cell for u16 {
    #[inline(always)]
    fn is_missing(self, code: u16) -> bool {
        self == code
    }
}

impl StoredInteger for u16 {
    const LOWEST: i64 = 0;
    #[inline(always)]
    fn index(self) -> u16 {
        self
    }
    fn at(index: u16) -> u16 {
        index
    }
}

impl Cell for u8 {
    #[inline(always)]
    fn is_missing(self, code: u8) -> bool {
        self == code
    }
}

impl StoredInteger for u8 {
    const LOWEST: i64 = 0;
    #[inline(always)]
    fn index(self) -> u16 {
        u16::from(self)
    }
    fn at(index: u16) -> u8 {
        index.min(255) as u8
    }
}
