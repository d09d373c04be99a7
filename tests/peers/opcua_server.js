// An OPC UA server made with the npm package node-opcua:  node opcua_server.js FOLDER
// FOLDER gets its certificate (own/certs/certificate.pem). Prints "port N"; then, for each line on its input, one JSON object
// with the number of requests it has had by service.
//   ns=1;s=flow   456.5, EURange 0..600, EngineeringUnits t/h      ns=1;s=bad   a value with BadDeviceFailure
//   ns=1;s=doubt  12.5 with UncertainLastUsableValue               ns=1;s=run   true
//   ns=1;i=1001 to 1040   doubles 1 to 40
// Users: reader / reader-pw. Anybody may connect with a certificate of his own.
"use strict";
const path = require("path");
const readline = require("readline");
const opcua = require("node-opcua");

const folder = process.argv[2];

async function main() {
  const trust = new opcua.OPCUACertificateManager({ automaticallyAcceptUnknownCertificate: true, rootFolder: folder });
  await trust.initialize();
  const server = new opcua.OPCUAServer({
    port: 0,
    host: "127.0.0.1",
    hostname: "127.0.0.1",
    resourcePath: "/plc",
    serverCertificateManager: trust,
    userManager: { isValidUser: (user, password) => user === "reader" && password === "reader-pw" },
    allowAnonymous: true,
  });
  await server.initialize();

  const space = server.engine.addressSpace;
  const own = space.getOwnNamespace();
  const loop = own.addFolder(space.rootFolder.objects, { browseName: "TB-07" });
  const double = (value) => new opcua.Variant({ dataType: opcua.DataType.Double, value });
  for (let number = 1; number <= 40; number++) {
    own.addVariable({
      componentOf: loop,
      nodeId: `ns=1;i=${1000 + number}`,
      browseName: `value ${number}`,
      dataType: "Double",
      value: double(number),
    });
  }
  own.addAnalogDataItem({
    componentOf: loop,
    nodeId: "ns=1;s=flow",
    browseName: "flow",
    dataType: "Double",
    engineeringUnitsRange: { low: 0, high: 600 },
    engineeringUnits: {
      namespaceUri: "http://www.opcfoundation.org/UA/units/un/cefact",
      unitId: 4534584,
      displayName: "t/h",
      description: "tonne per hour",
    },
    value: double(456.5),
  });
  const withStatus = (name, value, statusCode) =>
    own.addVariable({
      componentOf: loop,
      nodeId: `ns=1;s=${name}`,
      browseName: name,
      dataType: "Double",
      minimumSamplingInterval: 100,
      value: {
        timestamped_get: () => new opcua.DataValue({ value: double(value), statusCode, sourceTimestamp: new Date() }),
      },
    });
  withStatus("bad", 1, opcua.StatusCodes.BadDeviceFailure);
  withStatus("doubt", 12.5, opcua.StatusCodes.UncertainLastUsableValue);
  own.addVariable({
    componentOf: loop,
    nodeId: "ns=1;s=run",
    browseName: "run",
    dataType: "Boolean",
    value: new opcua.Variant({ dataType: opcua.DataType.Boolean, value: true }),
  });

  const requests = {};
  server.on("request", (request) => {
    const name = request.constructor.name.replace(/Request$/, "");
    requests[name] = (requests[name] || 0) + 1;
  });
  await server.start();
  console.log(`certificate ${server.certificateFile}`);
  console.log(`port ${server.endpoints[0].port}`);
  readline.createInterface({ input: process.stdin }).on("line", () => console.log(JSON.stringify(requests)));
}

main().catch((error) => {
  console.error(error);
  process.exit(1);
});
