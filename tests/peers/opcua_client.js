// A client made with the npm package node-opcua:  node opcua_client.js URL NAMESPACE POLICY [FOLDER CERTIFICATE KEY USER PASSWORD]
// POLICY is None or Basic256Sha256. Prints "port 0" when it has a session; then takes one JSON object a line on its input and
// prints one a line:
//   {"read": [identifier, ...]}            {"read": [[value, status name, source time in ms], ...]}
//   {"write": identifier, "value": number} {"write": status name}
//   {"watch": identifier}                  {"watch": value, "status": name} now and at each change
"use strict";
const readline = require("readline");
const opcua = require("node-opcua");

const [url, namespace, policy, folder, certificateFile, privateKeyFile, userName, password] = process.argv.slice(2);

function plain(dataValue) {
  const value = dataValue.value.value;
  const time = dataValue.sourceTimestamp ? dataValue.sourceTimestamp.getTime() : null;
  return [value === undefined || Number.isNaN(value) ? null : value, dataValue.statusCode.name, time];
}

async function main() {
  const options = { endpointMustExist: false, connectionStrategy: { maxRetry: 0 } };
  if (policy !== "None") {
    const trust = new opcua.OPCUACertificateManager({ automaticallyAcceptUnknownCertificate: true, rootFolder: folder });
    await trust.initialize();
    Object.assign(options, {
      applicationUri: "urn:plc",
      certificateFile,
      privateKeyFile,
      clientCertificateManager: trust,
      securityMode: opcua.MessageSecurityMode.SignAndEncrypt,
      securityPolicy: opcua.SecurityPolicy[policy],
    });
  }
  const client = opcua.OPCUAClient.create(options);
  await client.connect(url);
  const identity = userName ? { type: opcua.UserTokenType.UserName, userName, password } : undefined;
  const session = await client.createSession(identity);
  const spaces = await session.readNamespaceArray();
  const id = (path) => `ns=${spaces.indexOf(namespace)};s=${path}`;
  const subscription = await session.createSubscription2({
    requestedPublishingInterval: 100,
    requestedLifetimeCount: 1000,
    requestedMaxKeepAliveCount: 10,
    publishingEnabled: true,
  });
  console.log("port 0");
  for await (const line of readline.createInterface({ input: process.stdin })) {
    const asked = JSON.parse(line);
    if (asked.read) {
      const nodes = asked.read.map((path) => ({ nodeId: id(path), attributeId: opcua.AttributeIds.Value }));
      console.log(JSON.stringify({ read: (await session.read(nodes)).map(plain) }));
    } else if (asked.write) {
      const value = { value: { dataType: opcua.DataType.UInt32, value: asked.value } };
      const status = await session.write({ nodeId: id(asked.write), attributeId: opcua.AttributeIds.Value, value });
      console.log(JSON.stringify({ write: status.name }));
    } else if (asked.watch) {
      const item = await subscription.monitor(
        { nodeId: id(asked.watch), attributeId: opcua.AttributeIds.Value },
        { samplingInterval: 100, queueSize: 10, discardOldest: true },
        opcua.TimestampsToReturn.Both,
      );
      item.on("changed", (dataValue) => {
        const [value, status] = plain(dataValue);
        console.log(JSON.stringify({ watch: value, status }));
      });
    }
  }
}

main().catch((error) => {
  console.error(error.message);
  process.exit(1);
});
