//! What every verb prints as JSON is what its schema says: read into the types, and written again unchanged.

use crate::knap;
#[allow(dead_code)]
#[path = "../../src/shapes.rs"]
mod shapes;

use serde::{Serialize, de::DeserializeOwned};
use serde_json::Value;

const SCHOOL: &str = crate::SCHOOL;

fn printed(line: &str) -> Value {
    let line = line.replace("SCHOOL", SCHOOL);
    let out = knap().args(line.split(' ')).args(["--format", "json"]).output().unwrap();
    assert!(out.status.success(), "{line}: {}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap_or_else(|e| panic!("{line}: {e}"))
}

fn holds<T: Serialize + DeserializeOwned>(line: &str) {
    let value = printed(line);
    let read: T = serde_json::from_value(value.clone()).unwrap_or_else(|e| panic!("{line}: {e}\n{value:#}"));
    assert_eq!(serde_json::to_value(read).unwrap(), value, "{line}");
}

#[test]
fn what_is_printed_is_what_the_schema_says() {
    const SWUNG: &str = "--percussor-mass-g 300 --tip-radius-mm 15 --speed-m-s 4..7";
    holds::<shapes::Estimate>("estimate --depth-mm 8 --angle-deg 75");
    holds::<shapes::Estimate>(&format!(
        "estimate --depth-mm 8 --angle-deg 75 --percussor antler {SWUNG} --depth-error-mm 0.5"
    ));
    holds::<shapes::Estimate>("estimate --depth-mm 8 --angle-deg 75 --known length_mm=45 --stone quartzite");
    holds::<shapes::Blow>(&format!(
        "blow --stone flint --percussor antler {SWUNG} --depth-mm 8 --angle-deg 75"
    ));
    holds::<shapes::Contrast>(
        "contrast --percussor quartzite --percussor antler --depth-mm 8 --angle-deg 75",
    );
    holds::<shapes::Contrast>(&format!(
        "contrast --percussor quartzite --percussor antler --depth-mm 8 --angle-deg 75 {SWUNG}"
    ));
    holds::<shapes::Fit>("fit --table SCHOOL --response mass_g --form log-log --name x");
    holds::<shapes::Fit>("fit --table SCHOOL --response mass_g --form log-log --name x --by percussor");
    holds::<shapes::Assess>("assess --table SCHOOL --forms log-log,cube-root --class percussor --repeats 1");
    holds::<shapes::Percussor>("percussor --table SCHOOL");
    holds::<shapes::Percussor>("percussor --table SCHOOL --group knapper");
    holds::<shapes::Original>("original --mass-now-g 14.2 --depth-mm 9 --angle-deg 72");
    holds::<shapes::Original>("original --mass-now-g 14.2 --depth-mm 9 --angle-deg 72 --loss 2,5");
    holds::<shapes::Assemblage>("assemblage --table SCHOOL --group percussor --seed 1 --draws 500");
    holds::<shapes::Assemblage>(
        "assemblage --table SCHOOL --group percussor --seed 1 --draws 500 --mesh-mm 6",
    );
    holds::<shapes::Comparison>(
        "assemblage --table SCHOOL --group percussor --compare antler,quartzite --size mass_g --seed 1",
    );
    holds::<shapes::Calibrations>("calibrations");
    holds::<shapes::Plan>("plan --flakes 12 --percussor quartzite,antler --difference 1.5");
}

#[test]
fn every_verb_has_a_schema() {
    for verb in shapes::VERBS {
        let out = knap().args(["schema", verb]).output().unwrap();
        let schema: Value = serde_json::from_slice(&out.stdout).unwrap();
        assert!(schema["$schema"].as_str().unwrap().starts_with("https://json-schema.org/"), "{verb}");
        assert!(schema["properties"].is_object() || schema["additionalProperties"].is_object(), "{verb}");
    }
    let wrong = knap().args(["schema", "estimat"]).output().unwrap();
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8(wrong.stderr).unwrap().contains("did you mean \"estimate\""));
}
