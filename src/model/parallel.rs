//! Loops over all threads.
//!
//! Rayon's plumbing is compiled once, for `run`, rather than anew for every closure, which would be
//! more code than the closures themselves. What comes back is in the order of the indices,
//! whichever thread is done first.

use super::error::Result;
use ndarray::Array2;
use rayon::prelude::*;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, OnceLock};

fn run(count: usize, each: &(dyn Fn(usize) + Sync)) {
    (0..count).into_par_iter().for_each(each);
}

/// What `of` makes of 0 to `count` less one.
pub fn indexed<T: Send + Sync>(count: usize, of: &(dyn Fn(usize) -> T + Sync)) -> Vec<T> {
    let made: Vec<OnceLock<T>> = (0..count).map(|_| OnceLock::new()).collect();
    // Each is set once.
    run(count, &|i| drop(made[i].set(of(i))));
    made.into_iter().filter_map(OnceLock::into_inner).collect()
}

/// The same, or the error of the lowest index; after an error no higher index is begun.
pub fn try_indexed<T: Send + Sync>(
    count: usize,
    of: &(dyn Fn(usize) -> Result<T> + Sync),
) -> Result<Vec<T>> {
    let failed = AtomicUsize::new(count);
    let made = indexed(count, &|i| {
        (i < failed.load(Ordering::Relaxed)).then(|| {
            of(i).inspect_err(|_| {
                failed.fetch_min(i, Ordering::Relaxed);
            })
        })
    });
    made.into_iter().flatten().collect()
}

/// What `of` makes of each item of a list.
pub fn mapped<S: Sync, T: Send + Sync>(items: &[S], of: &(dyn Fn(&S) -> T + Sync)) -> Vec<T> {
    indexed(items.len(), &|i| of(&items[i]))
}

/// What `of` makes of items that are handed over, with their numbers.
pub fn given<I: Send, T: Send + Sync>(
    items: impl Iterator<Item = I>,
    of: &(dyn Fn(usize, I) -> T + Sync),
) -> Vec<T> {
    let items: Vec<Mutex<Option<I>>> = items.map(|item| Mutex::new(Some(item))).collect();
    let made = indexed(items.len(), &|i| {
        let item = items[i].lock().ok().and_then(|mut item| item.take());
        item.map(|item| of(i, item))
    });
    made.into_iter().flatten().collect()
}

/// The same by so many hands, each of which takes the next item that nobody has: no more than that
/// are held at a time. Or the error of the first of the items that failed; after an error no other
/// item is begun.
pub fn try_given<I: Send, T: Send + Sync>(
    hands: usize,
    items: impl Iterator<Item = I> + Send,
    of: &(dyn Fn(I) -> Result<T> + Sync),
) -> Result<Vec<T>> {
    let waiting = Mutex::new(items.enumerate());
    let failed = AtomicBool::new(false);
    let next = || waiting.lock().ok().and_then(|mut waiting| waiting.next());
    let made = indexed(hands, &|_| {
        let mut made = Vec::new();
        while !failed.load(Ordering::Relaxed)
            && let Some((i, item)) = next()
        {
            let one = of(item);
            failed.fetch_or(one.is_err(), Ordering::Relaxed);
            made.push((i, one));
        }
        made
    });
    let mut made = made.into_iter().flatten().collect::<Vec<_>>();
    made.sort_by_key(|(i, _)| *i);
    made.into_iter().map(|(_, one)| one).collect()
}

/// What `of` makes of every `length` values (the last may be fewer), with their number.
pub fn chunks<S: Send, T: Send + Sync>(
    values: &mut [S],
    length: usize,
    of: &(dyn Fn(usize, &mut [S]) -> T + Sync),
) -> Vec<T> {
    given(values.chunks_mut(length.max(1)), &|i, chunk| of(i, chunk))
}

/// What `of` makes of every row, with its number.
pub fn rows<S: Clone + Send, T: Send + Sync>(
    values: &mut Array2<S>,
    of: &(dyn Fn(usize, &mut [S]) -> T + Sync),
) -> Vec<T> {
    if !values.is_standard_layout() {
        *values = values.as_standard_layout().into_owned();
    }
    let columns = values.ncols();
    chunks(values.as_slice_mut().unwrap_or_default(), columns, of)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Error, Problem};
    use std::time::Duration;

    #[test]
    fn order_is_kept_whichever_thread_is_done_first() {
        let late_first = |i: usize| {
            std::thread::sleep(Duration::from_micros(500 - 5 * i as u64));
            3 * i
        };
        let expected: Vec<usize> = (0..100).map(|i| 3 * i).collect();
        assert_eq!(indexed(100, &late_first), expected);
        assert_eq!(given(0..100, &|i, item| late_first(i) - i + item), expected);
        assert!(indexed(0, &late_first).is_empty());
    }

    #[test]
    fn every_value_is_visited_once() {
        let mut values = vec![0; 1001];
        let lengths = chunks(&mut values, 100, &|i, chunk| {
            chunk.iter_mut().for_each(|value| *value += i + 1);
            chunk.len()
        });
        assert_eq!(lengths, [[100; 10].as_slice(), &[1]].concat());
        assert!((0..1001).all(|i| values[i] == i / 100 + 1));
        // Columns lie together here, not rows.
        let mut turned = Array2::from_shape_fn((3, 5), |(a, b)| 10 * b + a).reversed_axes();
        rows(&mut turned, &|row, line| line[0] += 100 * row);
        let expected = |(row, column): (usize, usize)| {
            10 * row + column + if column == 0 { 100 * row } else { 0 }
        };
        assert_eq!(turned, Array2::from_shape_fn((5, 3), expected));
    }

    #[test]
    fn so_many_hands_hold_so_many_items_and_stop_at_an_error() {
        let (held, most, begun) = (
            AtomicUsize::new(0),
            AtomicUsize::new(0),
            AtomicUsize::new(0),
        );
        let of = |fails: usize| {
            let (held, most, begun) = (&held, &most, &begun);
            move |item: usize| {
                begun.fetch_add(1, Ordering::SeqCst);
                most.fetch_max(held.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
                std::thread::sleep(Duration::from_micros(200));
                held.fetch_sub(1, Ordering::SeqCst);
                match item == fails {
                    true => Err(Error::Job(Problem::new(format!("{item}")))),
                    false => Ok(3 * item),
                }
            }
        };
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(8)
            .build()
            .unwrap();
        let made = pool.install(|| try_given(3, 0..100, &of(usize::MAX)));
        assert_eq!(made.unwrap(), Vec::from_iter((0..100).map(|i| 3 * i)));
        assert!((1..=3).contains(&most.load(Ordering::SeqCst)));
        let error = pool.install(|| try_given(3, 0..100, &of(20))).unwrap_err();
        assert_eq!(error, of(20)(20).unwrap_err());
        // How far several hands are by then is chance; one alone begins 0 to 20.
        begun.store(0, Ordering::SeqCst);
        assert!(try_given(1, 0..100, &of(20)).is_err());
        assert_eq!(begun.load(Ordering::SeqCst), 21);
    }

    #[test]
    fn the_error_is_that_of_the_lowest_index() {
        let of = |i: usize| match i {
            30.. => Err(Error::Job(Problem::new(format!("{i}")))),
            _ => Ok(i),
        };
        for _ in 0..50 {
            assert_eq!(try_indexed(90, &of).unwrap_err(), of(30).unwrap_err());
        }
        assert_eq!(try_indexed(30, &of).unwrap(), Vec::from_iter(0..30));
    }
}
