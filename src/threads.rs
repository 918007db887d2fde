//! Work in a fixed number of pieces, on as many threads as there are; the results come back in order.
//!
//! The pieces depend on the data alone and never on the threads, so what is made of them is the same bytes.

/// What `f` makes of 0, 1, ... `pieces` - 1, in that order.
pub(crate) fn in_order<T: Send>(pieces: usize, f: impl Fn(usize) -> T + Sync + Send) -> Vec<T> {
    #[cfg(feature = "parallel")]
    {
        use rayon::prelude::*;
        (0..pieces).into_par_iter().map(f).collect()
    }
    #[cfg(not(feature = "parallel"))]
    (0..pieces).map(f).collect()
}

/// What `f` makes of each item, in their order.
pub(crate) fn each<T: Send, R: Send>(items: Vec<T>, f: impl Fn(T) -> R + Sync + Send) -> Vec<R> {
    #[cfg(feature = "parallel")]
    {
        use rayon::prelude::*;
        items.into_par_iter().map(f).collect()
    }
    #[cfg(not(feature = "parallel"))]
    items.into_iter().map(f).collect()
}

/// Runs `f` on each item, on other threads where there are, and meanwhile `here` on this one.
#[cfg(feature = "table")]
pub(crate) fn beside<T: Send, R>(
    items: &mut [T],
    f: impl Fn(&mut T) + Sync + Send,
    here: impl FnOnce() -> R,
) -> R {
    #[cfg(feature = "parallel")]
    {
        let f = &f;
        rayon::in_place_scope(|scope| {
            for item in items {
                scope.spawn(move |_| f(item));
            }
            here()
        })
    }
    #[cfg(not(feature = "parallel"))]
    {
        let r = here();
        items.iter_mut().for_each(f);
        r
    }
}

/// How many pieces are worked on at once.
#[cfg(feature = "table")]
pub(crate) fn at_once() -> usize {
    #[cfg(feature = "parallel")]
    {
        rayon::current_num_threads()
    }
    #[cfg(not(feature = "parallel"))]
    1
}
