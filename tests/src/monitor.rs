//! Asks a server over plain HTTP, as a monitoring system would.

use std::net::SocketAddr;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// Returns an address that was free a moment ago.
pub async fn free_address() -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
    listener.local_addr().expect("a bound address")
}

/// Returns the status line and the body of an answer.
pub async fn get(address: &str, path: &str) -> (String, String) {
    let mut stream = loop {
        // The server may still be opening its database.
        match TcpStream::connect(address).await {
            Ok(stream) => break stream,
            Err(error) => assert_eq!(error.kind(), std::io::ErrorKind::ConnectionRefused),
        }
        tokio::time::sleep(Duration::from_millis(5)).await;
    };
    let request = format!("GET {path} HTTP/1.1\r\nHost: fitup\r\nConnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).await.expect("an answer");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.expect("an answer");
    let (head, body) = answer.split_once("\r\n\r\n").expect("an answer");
    (head.to_owned(), body.to_owned())
}
