//! What every verb prints as JSON fits the schema that `knap schema` prints for it.

use crate::knap;
use serde_json::Value;

const SCHOOL: &str = crate::SCHOOL;

fn printed(line: &str) -> Value {
    let line = line.replace("SCHOOL", SCHOOL);
    let out = knap().args(line.split(' ')).args(["--format", "json"]).output().unwrap();
    assert!(out.status.success(), "{line}: {}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap_or_else(|e| panic!("{line}: {e}"))
}

fn schema_of(verb: &str) -> Value {
    serde_json::from_slice(&knap().args(["schema", verb]).output().unwrap().stdout).unwrap()
}

/// What speaks against a value under a schema, in the part of JSON Schema that the schemas use.
fn against(root: &Value, schema: &Value, value: &Value, at: &str) -> Vec<String> {
    let mut found = Vec::new();
    if schema == &Value::Bool(true) {
        return found;
    }
    if let Some(to) = schema["$ref"].as_str() {
        let to = root.pointer(to.trim_start_matches('#')).expect("what a reference leads to");
        found.extend(against(root, to, value, at));
    }
    for any in ["anyOf", "oneOf"] {
        if let Some(ways) = schema[any].as_array()
            && ways.iter().all(|s| !against(root, s, value, at).is_empty())
        {
            found.push(format!("{at}: {value} is none of {any}"));
        }
    }
    for all in schema["allOf"].as_array().into_iter().flatten() {
        found.extend(against(root, all, value, at));
    }
    if let Some(words) = schema["enum"].as_array()
        && !words.contains(value)
    {
        found.push(format!("{at}: {value} is not one of {words:?}"));
    }
    if schema.get("const").is_some_and(|c| c != value) {
        found.push(format!("{at}: {value} is not {}", schema["const"]));
    }
    let types: Vec<&str> = match &schema["type"] {
        Value::String(one) => vec![one],
        Value::Array(some) => some.iter().filter_map(Value::as_str).collect(),
        _ => Vec::new(),
    };
    let is = |t: &&str| match *t {
        "object" => value.is_object(),
        "array" => value.is_array(),
        "string" => value.is_string(),
        "number" => value.is_number(),
        "integer" => value.is_u64() || value.is_i64(),
        "boolean" => value.is_boolean(),
        "null" => value.is_null(),
        other => panic!("a type {other}"),
    };
    if !types.is_empty() && !types.iter().any(is) {
        found.push(format!("{at}: {value} is not of {types:?}"));
    }
    if let Some(items) = value.as_array() {
        for (i, v) in items.iter().enumerate() {
            if schema["items"].is_object() {
                found.extend(against(root, &schema["items"], v, &format!("{at}/{i}")));
            }
        }
    }
    if let Some(object) = value.as_object() {
        for name in schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str) {
            if !object.contains_key(name) {
                found.push(format!("{at}: {name} is missing"));
            }
        }
        for (name, v) in object {
            let at = format!("{at}/{name}");
            match (schema["properties"].get(name), &schema["additionalProperties"]) {
                (Some(s), _) => found.extend(against(root, s, v, &at)),
                (None, Value::Bool(false)) => found.push(format!("{at} is not in the schema")),
                (None, s @ Value::Object(_)) => found.extend(against(root, s, v, &at)),
                _ => {}
            }
        }
    }
    found
}

fn holds(verb: &str, line: &str) {
    let (schema, value) = (schema_of(verb), printed(line));
    assert_eq!(against(&schema, &schema, &value, ""), Vec::<String>::new(), "{line}\n{value:#}");
}

#[test]
fn the_check_of_schemas_fails_what_does_not_fit() {
    let schema = schema_of("estimate");
    let value = printed("estimate --depth-mm 8 --angle-deg 75");
    for spoil in [
        |v: &mut Value| drop(v.as_object_mut().unwrap().remove("termination")),
        |v: &mut Value| v["mass_g"]["low"] = "7".into(),
        |v: &mut Value| drop(v["calibration"].as_object_mut().unwrap().remove("name")),
        |v: &mut Value| v["cautions"] = Value::Null,
    ] {
        let mut other = value.clone();
        spoil(&mut other);
        assert!(!against(&schema, &schema, &other, "").is_empty(), "{other}");
    }
}

#[test]
fn what_is_printed_is_what_the_schema_says() {
    const SWUNG: &str = "--percussor-mass-g 300 --tip-radius-mm 15 --speed-m-s 4..7";
    holds("estimate", "estimate --depth-mm 8 --angle-deg 75");
    holds(
        "estimate",
        &format!("estimate --depth-mm 8 --angle-deg 75 --percussor antler {SWUNG} --depth-error-mm 0.5"),
    );
    holds("estimate", "estimate --depth-mm 8 --angle-deg 75 --known length_mm=45 --stone quartzite");
    holds("blow", &format!("blow --stone flint --percussor antler {SWUNG} --depth-mm 8 --angle-deg 75"));
    holds("contrast", "contrast --percussor quartzite --percussor antler --depth-mm 8 --angle-deg 75");
    holds(
        "contrast",
        &format!("contrast --percussor quartzite --percussor antler --depth-mm 8 --angle-deg 75 {SWUNG}"),
    );
    holds("fit", "fit --table SCHOOL --response mass_g --form log-log --name x");
    holds("fit", "fit --table SCHOOL --response mass_g --form log-log --name x --by percussor");
    holds("assess", "assess --table SCHOOL --forms log-log,cube-root --class percussor --repeats 1");
    holds("percussor", "percussor --table SCHOOL");
    holds("percussor", "percussor --table SCHOOL --group knapper");
    holds("original", "original --mass-now-g 14.2 --depth-mm 9 --angle-deg 72");
    holds("original", "original --mass-now-g 14.2 --depth-mm 9 --angle-deg 72 --loss 2,5");
    holds("assemblage", "assemblage --table SCHOOL --group percussor --seed 1 --draws 500");
    holds("assemblage", "assemblage --table SCHOOL --group percussor --seed 1 --draws 500 --mesh-mm 6");
    holds(
        "comparison",
        "assemblage --table SCHOOL --group percussor --compare antler,quartzite --size mass_g --seed 1",
    );
    holds("calibrations", "calibrations");
    holds("plan", "plan --flakes 12 --percussor quartzite,antler --difference 1.5");
}

#[test]
fn every_verb_has_a_schema() {
    let verbs = [
        "estimate",
        "blow",
        "contrast",
        "fit",
        "fit-starting-from",
        "fit-loss",
        "assess",
        "percussor",
        "original",
        "assemblage",
        "comparison",
        "calibrations",
        "plan",
    ];
    for verb in verbs {
        let schema = schema_of(verb);
        assert!(schema["$schema"].as_str().unwrap().starts_with("https://json-schema.org/"), "{verb}");
        assert!(schema["properties"].is_object() || schema["additionalProperties"].is_object(), "{verb}");
    }
    let wrong = knap().args(["schema", "estimat"]).output().unwrap();
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8(wrong.stderr).unwrap().contains("did you mean \"estimate\""));
}
