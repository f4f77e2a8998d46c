//! The rpcs of the contract as its descriptors tell them, called with any token, and tokens of all kinds.

use std::collections::BTreeMap;

use fitup_proto::v1;
use prost::Message;
use prost::bytes::{Buf, BufMut};
use prost_types::field_descriptor_proto::Type;
use prost_types::{DescriptorProto, FieldDescriptorProto, FileDescriptorProto, FileDescriptorSet};
use tonic::codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder};
use tonic::transport::Channel;
use tonic::{Request, Status};

/// The package of our services.
const PACKAGE: &str = "fitup.v1";

/// An rpc of the contract.
#[derive(Debug, Clone)]
pub struct Rpc {
    /// Such as `ShopService`.
    pub service: String,
    /// Such as `GetShop`.
    pub name: String,
    request: String,
}

/// The messages and services of the contract.
pub struct Contract {
    messages: BTreeMap<String, (DescriptorProto, BTreeMap<i32, String>)>,
    /// All rpcs of our services.
    pub rpcs: Vec<Rpc>,
}

impl Contract {
    /// Reads the descriptors that the server shows, with their comments.
    pub fn read() -> Contract {
        let set = FileDescriptorSet::decode(v1::DESCRIPTORS).expect("the compiler made them");
        let mut contract = Contract { messages: BTreeMap::new(), rpcs: Vec::new() };
        for file in set.file.iter().filter(|file| file.package() == PACKAGE) {
            for (index, message) in file.message_type.iter().enumerate() {
                let name = format!(".{PACKAGE}.{}", message.name());
                contract.messages.insert(name, (message.clone(), comments(file, index)));
            }
            for service in &file.service {
                contract.rpcs.extend(service.method.iter().map(|method| Rpc {
                    service: service.name().to_owned(),
                    name: method.name().to_owned(),
                    request: method.input_type().to_owned(),
                }));
            }
        }
        contract
    }

    /// Returns the bytes of a request whose fields for names of resources are filled in as their comments say
    /// (`Format: shops/{shop}/orders/{order}`), from `ids`; and whether it names a shop. Messages in it are there and
    /// otherwise empty, so that nothing is refused only because they are missing.
    pub fn request(&self, rpc: &Rpc, ids: &BTreeMap<&str, String>) -> (Vec<u8>, bool) {
        let mut bytes = Vec::new();
        // What is made names itself by an id of its own, not by its name.
        let deepest = if rpc.name.starts_with("Create") { 0 } else { 1 };
        let names_a_shop = self.fill(&rpc.request, ids, (0, deepest), &mut bytes);
        (bytes, names_a_shop)
    }

    fn fill(
        &self,
        message: &str,
        ids: &BTreeMap<&str, String>,
        (depth, deepest): (u32, u32),
        into: &mut Vec<u8>,
    ) -> bool {
        let Some((descriptor, comments)) = self.messages.get(message) else { return false };
        let mut names_a_shop = false;
        for (index, field) in (0..).zip(&descriptor.field) {
            let is_single = field.label() != prost_types::field_descriptor_proto::Label::Repeated;
            match field.r#type() {
                Type::Message if is_single && depth == 0 => {
                    let mut inner = Vec::new();
                    names_a_shop |= self.fill(field.type_name(), ids, (depth + 1, deepest), &mut inner);
                    put(field, &inner, into);
                }
                Type::String if is_single && depth <= deepest && is_name(field) => {
                    if let Some(name) = comments.get(&index).and_then(|comment| name(comment, ids)) {
                        names_a_shop |= name.starts_with("shops/");
                        put(field, name.as_bytes(), into);
                    }
                }
                _ => {}
            }
        }
        names_a_shop
    }
}

/// Fields that say what a request is about.
fn is_name(field: &FieldDescriptorProto) -> bool {
    ["name", "parent", "shop", "order", "plan", "before", "after"].contains(&field.name())
}

fn put(field: &FieldDescriptorProto, value: &[u8], into: &mut Vec<u8>) {
    let number = u32::try_from(field.number()).expect("numbers of fields are positive");
    prost::encoding::encode_key(number, prost::encoding::WireType::LengthDelimited, into);
    prost::encoding::encode_varint(value.len() as u64, into);
    into.extend_from_slice(value);
}

/// Returns the comments of the fields of a message, by their index. Path: message_type (4), index, field (2), index.
fn comments(file: &FileDescriptorProto, message: usize) -> BTreeMap<i32, String> {
    let message = i32::try_from(message).expect("there are few messages");
    let locations = file.source_code_info.iter().flat_map(|info| &info.location);
    let of_field = |location: &prost_types::source_code_info::Location| match location.path[..] {
        [4, index, 2, field] if index == message => Some((field, location.leading_comments().to_owned())),
        _ => None,
    };
    locations.filter_map(of_field).collect()
}

/// Returns the name in the format that a comment tells, with the ids put in.
fn name(comment: &str, ids: &BTreeMap<&str, String>) -> Option<String> {
    let format = comment.split_once("Format: ")?.1.split([',', ' ', '\n', ';']).next()?;
    let mut name = format.to_owned();
    for (variable, id) in ids {
        name = name.replace(&format!("{{{variable}}}"), id);
    }
    assert!(!name.contains('{'), "the test has no id for {name}");
    Some(name)
}

/// Calls an rpc with bytes as its request, and returns the first message of its answer.
pub async fn call(channel: Channel, rpc: &Rpc, request: &[u8], token: Option<&str>) -> Result<Vec<u8>, Status> {
    let mut grpc = tonic::client::Grpc::new(channel);
    grpc.ready().await.expect("a server that answers");
    let path = format!("/{PACKAGE}.{}/{}", rpc.service, rpc.name).parse().expect("a path");
    let mut request = Request::new(request.to_vec());
    if let Some(token) = token {
        request.metadata_mut().insert("authorization", token.parse().expect("a header"));
    }
    let mut stream = grpc.server_streaming(request, path, Bytes).await?.into_inner();
    stream.message().await.map(Option::unwrap_or_default)
}

/// Messages as they are on the wire.
struct Bytes;

impl Codec for Bytes {
    type Encode = Vec<u8>;
    type Decode = Vec<u8>;
    type Encoder = Bytes;
    type Decoder = Bytes;

    fn encoder(&mut self) -> Bytes {
        Bytes
    }

    fn decoder(&mut self) -> Bytes {
        Bytes
    }
}

impl Encoder for Bytes {
    type Item = Vec<u8>;
    type Error = Status;

    fn encode(&mut self, item: Vec<u8>, into: &mut EncodeBuf<'_>) -> Result<(), Status> {
        into.put_slice(&item);
        Ok(())
    }
}

impl Decoder for Bytes {
    type Item = Vec<u8>;
    type Error = Status;

    fn decode(&mut self, from: &mut DecodeBuf<'_>) -> Result<Option<Vec<u8>>, Status> {
        Ok(Some(from.copy_to_bytes(from.remaining()).to_vec()))
    }
}

/// Puts a token into a request.
pub fn with_token<T>(message: T, token: &str) -> Request<T> {
    let mut request = Request::new(message);
    request.metadata_mut().insert("authorization", format!("bearer {token}").parse().expect("a header"));
    request
}
