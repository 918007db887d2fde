//! Pairs of a name and what belongs to it, written as an object in their order and read back; names without repeats.

use serde::de::{Deserialize, Deserializer, MapAccess, Visitor};
use serde::ser::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::marker::PhantomData;

/// Each item once, in the order in which they come.
pub(crate) fn each_once<T: PartialEq>(items: impl IntoIterator<Item = T>) -> Vec<T> {
    let mut found = Vec::new();
    for item in items {
        if !found.contains(&item) {
            found.push(item);
        }
    }
    found
}

pub(crate) fn serialize<S: Serializer, K: Serialize, T: Serialize>(
    pairs: &[(K, T)],
    s: S,
) -> Result<S::Ok, S::Error> {
    s.collect_map(pairs.iter().map(|(name, of)| (name, of)))
}

/// The same in the order of the names.
pub(crate) fn sorted<S: Serializer, T: Serialize>(pairs: &[(String, T)], s: S) -> Result<S::Ok, S::Error> {
    s.collect_map(pairs.iter().map(|(name, of)| (name, of)).collect::<BTreeMap<_, _>>())
}

pub(crate) fn deserialize<'de, D: Deserializer<'de>, T: Deserialize<'de>>(
    d: D,
) -> Result<Vec<(String, T)>, D::Error> {
    struct Pairs<T>(PhantomData<T>);
    impl<'de, T: Deserialize<'de>> Visitor<'de> for Pairs<T> {
        type Value = Vec<(String, T)>;
        fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
            f.write_str("an object")
        }
        fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
            let mut pairs = Vec::new();
            while let Some(pair) = map.next_entry()? {
                pairs.push(pair);
            }
            Ok(pairs)
        }
    }
    d.deserialize_map(Pairs(PhantomData))
}
