//! CBOR items as a tree, so that tests can change one node of a valid record and write it again.

use carrylog_format::cbor::{Reader, major, read_head, write_bytes, write_head, write_text};

#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    Unsigned(u64),
    /// −1 − n.
    Negative(u64),
    Bytes(Vec<u8>),
    Text(String),
    Array(Vec<Item>),
    Map(Vec<(Item, Item)>),
    Simple(u8),
}

pub const NULL: Item = Item::Simple(22);

impl Item {
    pub fn read(bytes: &[u8]) -> Self {
        let mut reader = Reader::new(bytes);
        let item = Self::next(&mut reader, bytes);
        reader.end().unwrap();
        item
    }

    fn next(reader: &mut Reader<'_>, bytes: &[u8]) -> Self {
        let head = read_head(&bytes[reader.offset() as usize..], 0).unwrap();
        match head.major {
            major::BYTES => Self::Bytes(reader.bytes("bytes").unwrap().to_vec()),
            major::TEXT => Self::Text(reader.text("text").unwrap().to_owned()),
            major::ARRAY => {
                let count = reader.array("array").unwrap();
                Self::Array((0..count).map(|_| Self::next(reader, bytes)).collect())
            }
            major::MAP => {
                let count = reader.map("map").unwrap();
                let pair = |_| (Self::next(reader, bytes), Self::next(reader, bytes));
                Self::Map((0..count).map(pair).collect())
            }
            major::UINT => Self::Unsigned(reader.head().unwrap().value),
            major::NINT => Self::Negative(reader.head().unwrap().value),
            _ => Self::Simple(reader.head().unwrap().value as u8),
        }
    }

    /// Writes the item with its pairs as they stand.
    pub fn write(&self, out: &mut Vec<u8>) {
        match self {
            Self::Unsigned(n) => write_head(out, major::UINT, *n),
            Self::Negative(n) => write_head(out, major::NINT, *n),
            Self::Bytes(bytes) => write_bytes(out, bytes),
            Self::Text(text) => write_text(out, text),
            Self::Array(items) => {
                write_head(out, major::ARRAY, items.len() as u64);
                items.iter().for_each(|item| item.write(out));
            }
            Self::Map(pairs) => {
                write_head(out, major::MAP, pairs.len() as u64);
                for (key, value) in pairs {
                    key.write(out);
                    value.write(out);
                }
            }
            Self::Simple(n) => write_head(out, major::SIMPLE, u64::from(*n)),
        }
    }

    pub fn bytes(&self) -> Vec<u8> {
        let mut out = Vec::new();
        self.write(&mut out);
        out
    }

    /// Puts the pairs of every map into canonical order.
    pub fn sort(&mut self) {
        match self {
            Self::Array(items) => items.iter_mut().for_each(Self::sort),
            Self::Map(pairs) => {
                for (key, value) in pairs.iter_mut() {
                    key.sort();
                    value.sort();
                }
                pairs.sort_by_key(|(key, _)| key.bytes());
            }
            Self::Unsigned(_)
            | Self::Negative(_)
            | Self::Bytes(_)
            | Self::Text(_)
            | Self::Simple(_) => {}
        }
    }

    /// Number of nodes, this one and all below it; keys count.
    pub fn nodes(&self) -> usize {
        1 + match self {
            Self::Array(items) => items.iter().map(Self::nodes).sum(),
            Self::Map(pairs) => pairs.iter().map(|(k, v)| k.nodes() + v.nodes()).sum(),
            _ => 0,
        }
    }

    /// Node `number` in the order of the encoding.
    pub fn node(&mut self, number: usize) -> &mut Self {
        let mut left = number;
        self.find(&mut left).unwrap()
    }

    fn find(&mut self, left: &mut usize) -> Option<&mut Self> {
        if *left == 0 {
            return Some(self);
        }
        *left -= 1;
        match self {
            Self::Array(items) => items.iter_mut().find_map(|item| item.find(left)),
            Self::Map(pairs) => pairs
                .iter_mut()
                .flat_map(|(key, value)| [key, value])
                .find_map(|item| item.find(left)),
            _ => None,
        }
    }

    /// The item in other spellings and with other content.
    pub fn variations(&self) -> Vec<Self> {
        let text = |t: &str| Self::Text(t.to_owned());
        let mut all = vec![
            NULL,
            Self::Simple(21),
            Self::Simple(23),
            Self::Unsigned(0),
            Self::Unsigned(1),
            Self::Unsigned(u64::MAX),
            Self::Negative(0),
            Self::Negative(u64::MAX),
            text(""),
            text("x"),
            text(" x "),
            text("withdrawn"),
            Self::Bytes(vec![]),
            Self::Bytes(vec![7; 32]),
            Self::Bytes(vec![0xff]),
            Self::Array(vec![]),
            Self::Array(vec![self.clone()]),
            Self::Map(vec![]),
            Self::Map(vec![(text("x"), self.clone())]),
        ];
        match self {
            Self::Text(t) => {
                all.push(Self::Bytes(t.clone().into_bytes()));
                all.push(Self::Map(vec![(self.clone(), NULL)]));
                all.push(Self::Text(format!("{t} ")));
                all.push(Self::Array(vec![self.clone(), NULL]));
            }
            Self::Bytes(bytes) => {
                let numbers = bytes.iter().map(|b| Self::Unsigned(u64::from(*b)));
                all.push(Self::Array(numbers.collect()));
                all.extend(String::from_utf8(bytes.clone()).ok().map(Self::Text));
            }
            Self::Map(pairs) => {
                all.push(Self::Array(pairs.iter().map(|(_, v)| v.clone()).collect()));
                let flat = |(k, v): &(Self, Self)| [k.clone(), v.clone()];
                all.push(Self::Array(pairs.iter().flat_map(flat).collect()));
                let numbered = pairs.iter().enumerate();
                let numbered = numbered.map(|(n, (_, v))| (Self::Unsigned(n as u64), v.clone()));
                all.push(Self::Map(numbered.collect()));
                for leave_out in 0..pairs.len() {
                    let mut fewer = pairs.clone();
                    let pair = fewer.remove(leave_out);
                    all.push(Self::Map(fewer.clone()));
                    fewer.push(pair.clone());
                    all.push(Self::Map(fewer.clone()));
                    fewer.push(pair);
                    all.push(Self::Map(fewer));
                }
                let mut more = pairs.clone();
                more.push((text("zz"), NULL));
                all.push(Self::Map(more));
            }
            Self::Unsigned(n) => all.push(Self::Negative(*n)),
            _ => {}
        }
        all
    }
}
