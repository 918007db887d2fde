//! What asks for no memory once its buffers have grown, counted by an allocator of the test's own: reading a table,
//! quick intervals.
#![cfg(feature = "table")]

use conchoid::calibration::bundled;
use conchoid::predict::{Interval, Predictor};
use conchoid::table::{TableOptions, TableReader};
use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::io::{self, Read};

thread_local! {
    static ASKED: Cell<u64> = const { Cell::new(0) };
}

struct Counting;

// Passes everything on to the system's allocator and counts what this thread asks for.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        ASKED.with(|n| n.set(n.get() + 1));
        unsafe { System.alloc(layout) }
    }
    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        unsafe { System.dealloc(pointer, layout) }
    }
    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        ASKED.with(|n| n.set(n.get() + 1));
        unsafe { System.realloc(pointer, layout, size) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

/// The same row over and over, never held whole.
struct Repeated {
    header: &'static [u8],
    row: &'static [u8],
    left: u64,
    at: usize,
}

impl Read for Repeated {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if !self.header.is_empty() {
            return self.header.read(buffer);
        }
        let mut n = 0;
        while n < buffer.len() && self.left > 0 {
            let part = &self.row[self.at..];
            let take = part.len().min(buffer.len() - n);
            buffer[n..n + take].copy_from_slice(&part[..take]);
            n += take;
            self.at += take;
            if self.at == self.row.len() {
                self.at = 0;
                self.left -= 1;
            }
        }
        Ok(n)
    }
}

#[test]
fn a_row_in_order_asks_for_no_memory() {
    const ROWS: u64 = 20_000;
    let input = Repeated {
        header: b"flake,platform_depth_cm,angle_deg,mass_g,percussor,termination,platform_kind,notes\n",
        row: b"A1,0.81,75,21.5,Antler,feather,plain,\"thin, with a \"\"lip\"\"\"\n",
        left: ROWS,
        at: 0,
    };
    let mut table = TableReader::new(input, &TableOptions::new()).unwrap();
    let mut row = table.row();
    let mut rows = 0u64;
    let mut after_first = 0;
    while table.read(&mut row).unwrap() {
        assert_eq!(row.outcome(&["platform_depth_mm", "exterior_platform_angle_deg"]), Ok(Vec::new()));
        rows += 1;
        if rows == 100 {
            after_first = ASKED.with(Cell::get);
        }
    }
    assert_eq!(rows, ROWS);
    assert_eq!(ASKED.with(Cell::get) - after_first, 0, "allocations between row 100 and row {ROWS}");
}

#[test]
fn quick_intervals_ask_for_no_memory() {
    let mut ran = 0;
    for name in bundled::NAMES {
        let predictor = Predictor::new(bundled::named(name).unwrap()).unwrap();
        for variant in predictor.calibration().variants() {
            let quick = predictor.quick(&variant.name, 0.95).unwrap();
            let x = vec![2.0; predictor.calibration().layout().len()];
            let mut out =
                vec![Interval { low: 0.0, median: 0.0, high: 0.0, level: 0.0 }; variant.sizes.len()];
            if quick.intervals(&x, &mut out).is_err() {
                continue;
            }
            let before = ASKED.with(Cell::get);
            for _ in 0..100 {
                quick.intervals(&x, &mut out).unwrap();
            }
            assert_eq!(ASKED.with(Cell::get) - before, 0, "{name} {}", variant.name);
            ran += 1;
        }
    }
    assert!(ran >= 8, "{ran}");
}
