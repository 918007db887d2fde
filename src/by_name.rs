//! Pairs of a name and what belongs to it, written as an object in their order and read back; names without repeats,
//! and the places at which things were first met.

use serde::de::{Deserialize, Deserializer, MapAccess, Visitor};
use serde::ser::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::marker::PhantomData;

/// The place of what is meant among those known; where it is new, it is added at their end.
pub(crate) fn place_of<T>(known: &mut Vec<T>, is: impl Fn(&T) -> bool, new: impl FnOnce() -> T) -> usize {
    known.iter().position(is).unwrap_or_else(|| {
        known.push(new());
        known.len() - 1
    })
}

/// Something of each group, in the order in which they were first met.
#[derive(Debug, Clone, Default)]
pub(crate) struct Groups<T> {
    pub(crate) names: Vec<String>,
    pub(crate) of: Vec<T>,
    by_name: BTreeMap<String, usize>,
}

impl<T: Default> Groups<T> {
    /// The place of a group.
    pub(crate) fn place(&mut self, name: &str) -> usize {
        if let Some(at) = self.by_name.get(name) {
            return *at;
        }
        self.names.push(name.to_string());
        self.of.push(T::default());
        self.by_name.insert(name.to_string(), self.names.len() - 1);
        self.names.len() - 1
    }
}

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

pub(crate) fn deserialize<'de, D: Deserializer<'de>, K: Deserialize<'de>, T: Deserialize<'de>>(
    d: D,
) -> Result<Vec<(K, T)>, D::Error> {
    struct Pairs<K, T>(PhantomData<(K, T)>);
    impl<'de, K: Deserialize<'de>, T: Deserialize<'de>> Visitor<'de> for Pairs<K, T> {
        type Value = Vec<(K, T)>;
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
