// A Modbus TCP server made with the npm package jsmodbus. Prints "port N", and "write" where one arrives.
//   holding: 123.456 at 0 ABCD, 2 CDAB; a read beyond the 100 registers of the buffer gets a reply without any, not an exception
"use strict";
const net = require("net");
const modbus = require("jsmodbus");

const holding = Buffer.alloc(200);
[0x42f6, 0xe979, 0xe979, 0x42f6].forEach((word, place) => holding.writeUInt16BE(word, 2 * place));
const input = Buffer.alloc(200);
for (let place = 0; place < 100; place++) input.writeUInt16BE(4000 + place, 2 * place);

const listener = new net.Server();
const server = new modbus.server.TCP(listener, {
  holding,
  input,
  coils: Buffer.alloc(100, 0x55),
  discrete: Buffer.alloc(100, 0x0f),
});
for (const name of ["WriteSingleCoil", "WriteSingleRegister", "WriteMultipleCoils", "WriteMultipleRegisters"]) {
  for (const stage of ["pre", "post"]) server.on(stage + name, () => console.log("write"));
}
listener.listen(0, "127.0.0.1", () => console.log(`port ${listener.address().port}`));
