"""Serves one validator to capd. A validator's main is one line:

    capd_validator.serve(describe, check)

describe() returns a Description; check(evidence, params) returns a Finding; both types
come from validator_pb2, which `protoc --python_out=. validator.proto` makes. Needs
Debian's python3-grpcio, python3-protobuf and openssl, nothing else.

What hashicorp/go-plugin asks of a program in another language: the handshake line on
standard output, the services health, controller and stdio, and mutual TLS when the
environment brings a client certificate. All of it is below.
"""

import base64
import os
import ssl
import subprocess
import sys
import threading
import time
from concurrent import futures

import grpc

import validator_pb2 as pb

COOKIE = ("CAPD_VALIDATOR", "a validator of capd, started by it and not by hand")


def serve(describe, check):
    """Serves until the agent is done or gone."""
    if os.environ.get(COOKIE[0]) != COOKIE[1]:
        sys.exit("This is a validator of capd. capd starts it; put it into the folder of validators and pin its checksum.")
    if "1" not in os.environ.get("PLUGIN_PROTOCOL_VERSIONS", "1").split(","):
        sys.exit("the agent does not speak version 1 of the protocol")
    watch_parent()
    done = threading.Event()
    # One worker for the calls, others for the streams that stay open.
    server = grpc.server(futures.ThreadPoolExecutor(max_workers=4), options=[("grpc.max_receive_message_length", 128 << 20)])
    server.add_generic_rpc_handlers((validators(describe, check), health(), controller(done), stdio(done)))
    folder = os.environ.get("PLUGIN_UNIX_SOCKET_DIR") or os.environ["TMPDIR"]
    address = os.path.join(folder, "socket")
    certificate = listen(server, "unix:" + address, folder)
    server.start()
    print("1|1|unix|%s|grpc|%s" % (address, certificate), flush=True)
    done.wait()
    server.stop(0.2).wait()


def watch_parent():
    """Ends this process when the agent is gone."""
    parent = os.getppid()

    def watch():
        while os.getppid() == parent:
            time.sleep(0.5)
        os._exit(3)

    threading.Thread(target=watch, daemon=True).start()


def listen(server, address, folder):
    """Listens with mutual TLS where the agent asks for it; returns the certificate."""
    client = os.environ.get("PLUGIN_CLIENT_CERT")
    if not client:
        server.add_insecure_port(address)
        return ""
    key, cert = os.path.join(folder, "key.pem"), os.path.join(folder, "cert.pem")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes",
         "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost", "-days", "2", "-keyout", key, "-out", cert],
        check=True, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    with open(key, "rb") as f:
        key_pem = f.read()
    with open(cert, "rb") as f:
        cert_pem = f.read()
    os.remove(key)
    credentials = grpc.ssl_server_credentials([(key_pem, cert_pem)], root_certificates=client.encode(), require_client_auth=True)
    server.add_secure_port(address, credentials)
    der = ssl.PEM_cert_to_DER_cert(cert_pem.decode())
    return base64.b64encode(der).decode().rstrip("=")


def unary(function, request, response):
    return grpc.unary_unary_rpc_method_handler(function, request_deserializer=request.FromString, response_serializer=response.SerializeToString)


def validators(describe, check):
    """The service of validator.proto."""
    state = {"handle": 0, "evidence": None, "params": {}}
    description = describe()

    def on_configure(request, context):
        params = {p.name: p.default for p in description.parameters}
        answer = pb.ConfigureResponse()
        for name, value in request.validators[description.name].values.items():
            if name not in params:
                answer.problems[description.name] = "there is no parameter %r; there are %s" % (name, ", ".join(sorted(params)))
            params[name] = value
        state["params"] = params
        return answer

    def on_load(request, context):
        state["handle"], state["evidence"] = request.handle, request.evidence
        return pb.LoadResponse()

    def on_check(request, context):
        if request.handle != state["handle"] or not request.handle:
            context.abort(grpc.StatusCode.FAILED_PRECONDITION, "the loaded evidence is %d" % state["handle"])
        if request.validator != description.name:
            context.abort(grpc.StatusCode.NOT_FOUND, "there is no validator %r here" % request.validator)
        finding = check(state["evidence"], dict(state["params"]))
        finding.check, finding.version = description.name, description.version
        finding.params.update(state["params"])
        return pb.CheckResponse(finding=finding)

    return grpc.method_handlers_generic_handler("capd.validator.v1.Validators", {
        "Describe": unary(lambda request, context: pb.DescribeResponse(validators=[description]), pb.DescribeRequest, pb.DescribeResponse),
        "Configure": unary(on_configure, pb.ConfigureRequest, pb.ConfigureResponse),
        "Load": unary(on_load, pb.LoadRequest, pb.LoadResponse),
        "Check": unary(on_check, pb.CheckRequest, pb.CheckResponse),
    })


def raw(function, stream=False):
    """A handler whose messages are so small that they are written out by hand."""
    make = grpc.unary_stream_rpc_method_handler if stream else grpc.unary_unary_rpc_method_handler
    return make(function, request_deserializer=bytes, response_serializer=bytes)


def health():
    serving = b"\x08\x01"  # HealthCheckResponse{status: SERVING}
    return grpc.method_handlers_generic_handler("grpc.health.v1.Health", {"Check": raw(lambda request, context: serving)})


def controller(done):
    def shutdown(request, context):
        done.set()
        return b""

    return grpc.method_handlers_generic_handler("plugin.GRPCController", {"Shutdown": raw(shutdown)})


def stdio(done):
    def stream(request, context):
        while not done.wait(0.2) and context.is_active():
            pass
        return
        yield b""

    return grpc.method_handlers_generic_handler("plugin.GRPCStdio", {"StreamStdio": raw(stream, stream=True)})
