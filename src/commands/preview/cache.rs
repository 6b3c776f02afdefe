//! The last few things that were made, by what they were made from.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Samples in all from which on only the last is kept: a quarter of a GB.
const MOST_SAMPLES: usize = 64_000_000;

/// The last first, at most so many: one for each ball on the page.
pub(super) struct Cache<K, V, const MOST: usize = 2>(Mutex<Vec<CacheEntry<K, V>>>);

struct CacheEntry<K, V> {
    key: K,
    value: Arc<V>,
    samples: usize,
}

impl<K, V, const MOST: usize> Default for Cache<K, V, MOST> {
    fn default() -> Self {
        Cache(Mutex::default())
    }
}

impl<K: PartialEq, V, const MOST: usize> Cache<K, V, MOST> {
    /// What was made from this, if it is still there.
    pub fn get(&self, key: &K) -> Option<Arc<V>> {
        let mut all = self.all();
        let at = all.iter().position(|entry| entry.key == *key)?;
        all[..=at].rotate_right(1);
        Some(Arc::clone(&all[0].value))
    }

    /// Keeps a thing with so many samples in it.
    pub fn keep(&self, key: K, value: V, samples: usize) -> Arc<V> {
        let value = Arc::new(value);
        let entry = CacheEntry {
            key,
            value: Arc::clone(&value),
            samples,
        };
        let mut all = self.all();
        all.retain(|other| other.key != entry.key);
        all.insert(0, entry);
        let held = |all: &[CacheEntry<K, V>]| all.iter().map(|entry| entry.samples).sum::<usize>();
        while all.len() > 1 && (all.len() > MOST || held(&all) > MOST_SAMPLES) {
            all.pop();
        }
        value
    }

    /// A question that failed half-way leaves whole entries behind.
    fn all(&self) -> MutexGuard<'_, Vec<CacheEntry<K, V>>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_two_asked_for_stay_and_of_large_ones_the_last() {
        let kept: Cache<char, u8> = Cache::default();
        kept.keep('a', 1, 10);
        kept.keep('b', 2, 10);
        assert_eq!(kept.get(&'a').as_deref(), Some(&1));
        kept.keep('c', 3, 10);
        assert_eq!(
            ['a', 'b', 'c'].map(|key| kept.get(&key).as_deref().copied()),
            [Some(1), None, Some(3)]
        );
        kept.keep('d', 4, MOST_SAMPLES);
        assert_eq!(
            ['a', 'c', 'd'].map(|key| kept.get(&key).as_deref().copied()),
            [None, None, Some(4)]
        );
    }
}
