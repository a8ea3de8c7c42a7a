//! Taking the address, with or without TLS.

use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum_server::accept::NoDelayAcceptor;
use axum_server::tls_rustls::{RustlsAcceptor, RustlsConfig};
use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

use crate::{Tls, WebConfig, WebError};

/// A client must send its whole request head within this time.
const HEAD_PATIENCE: Duration = Duration::from_secs(15);

/// Takes the address.
pub(crate) fn bind(config: &WebConfig) -> Result<TcpListener, WebError> {
    let place = SocketAddr::from((config.address, config.port));
    TcpListener::bind(place).map_err(|source| match source.kind() {
        std::io::ErrorKind::AddrInUse => WebError::PortInUse(config.port),
        _ => WebError::Listen { place, source },
    })
}

/// Certificate and key, read and checked against each other.
pub(crate) fn tls(tls: &Tls) -> Result<RustlsConfig, WebError> {
    let bad = |file: &Path, why: String| WebError::Tls {
        file: file.to_owned(),
        why,
    };
    let chain = CertificateDer::pem_file_iter(&tls.certificate)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|error| bad(&tls.certificate, error.to_string()))?;
    if chain.is_empty() {
        return Err(bad(
            &tls.certificate,
            "it holds no certificate in PEM form".into(),
        ));
    }
    let key =
        PrivateKeyDer::from_pem_file(&tls.key).map_err(|error| bad(&tls.key, error.to_string()))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let mut config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .and_then(|builder| {
            let builder = builder.with_no_client_auth();
            builder.with_single_cert(chain, key)
        })
        .map_err(|error| bad(&tls.certificate, error.to_string()))?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(RustlsConfig::from_config(Arc::new(config)))
}

/// Serves until the runtime ends.
pub(crate) async fn serve(listener: TcpListener, app: Router, tls: Option<RustlsConfig>) {
    let app = app.into_make_service_with_connect_info::<SocketAddr>();
    let server = match axum_server::from_tcp(listener) {
        Ok(server) => server.http1_only().first_request_timeout(HEAD_PATIENCE),
        Err(error) => return tracing::error!("the page cannot be served: {error}"),
    };
    // Otherwise a short event may wait for the acknowledgement of the one before.
    let no_delay = NoDelayAcceptor::new();
    let ended = match tls {
        Some(tls) => {
            let acceptor = RustlsAcceptor::new(tls).acceptor(no_delay);
            server.acceptor(acceptor).serve(app).await
        }
        None => server.acceptor(no_delay).serve(app).await,
    };
    if let Err(error) = ended {
        tracing::error!("the page is served no longer: {error}");
    }
}
