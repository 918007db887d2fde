//! What a user of Rust would run instead: the crates csv and linregress. `run.sh` makes a project of this file in its
//! temporary folder. `crate_peer csv TABLE` reads, fits and prints once; `crate_peer fit FOLDER` times fits from
//! the columns of `data.py`.

use linregress::{FormulaRegressionBuilder, RegressionDataBuilder};

fn read(folder: &str, name: &str) -> Vec<f64> {
    let bytes = std::fs::read(format!("{folder}/{name}")).expect("a column");
    bytes.as_chunks::<8>().0.iter().map(|b| f64::from_le_bytes(*b)).collect()
}

fn main() {
    let args: Vec<String> = std::env::args().collect();
    if args[1] == "csv" {
        let mut reader = csv::Reader::from_path(&args[2]).expect("a table");
        let (mut l, mut a, mut y) = (Vec::new(), Vec::new(), Vec::new());
        let mut row = csv::StringRecord::new();
        while reader.read_record(&mut row).expect("a row") {
            let number = |i: usize| row[i].parse::<f64>().expect("a number");
            l.push(number(0).ln());
            a.push(number(1));
            y.push(number(2).ln());
        }
        let data = RegressionDataBuilder::new().build_from(vec![("l", l), ("a", a), ("y", y)]).expect("data");
        let fit = FormulaRegressionBuilder::new().data(&data).formula("y ~ l + a").fit().expect("a fit");
        println!("{:?} {:?}", fit.parameters(), fit.se());
        return;
    }
    let [depth, angle, class, mass] = ["depth", "angle", "class", "mass"].map(|n| read(&args[2], n));
    for _ in 0..3 {
        let start = std::time::Instant::now();
        let l: Vec<f64> = depth.iter().map(|d| d.ln()).collect();
        let columns = vec![
            ("la", l.iter().zip(&angle).map(|(l, a)| l * a).collect::<Vec<f64>>()),
            ("ll", l.iter().map(|l| l * l).collect()),
            ("l", l),
            ("a", angle.clone()),
            ("c", class.clone()),
            ("y", mass.iter().map(|m| m.ln()).collect()),
        ];
        let data = RegressionDataBuilder::new().build_from(columns).expect("data");
        let fit =
            FormulaRegressionBuilder::new().data(&data).formula("y ~ l + a + c + la + ll").fit().expect("a fit");
        assert!(fit.se().iter().all(|s| s.is_finite()));
        println!("{:e}", start.elapsed().as_secs_f64());
    }
}
