// A Modbus TCP server made with the npm package modbus-serial:  node modbus_serial_server.js PORT
// Prints "port N", and "write" where one arrives. (The package takes port 0 for its default port, so it is told a free one.)
//   holding and input: 123.456 at 0 ABCD, 2 CDAB, 4 BADC, 6 DCBA (hex words below); 10..19: 3000 + address
//   addresses from 500 on: exception 2; unit 1 only
"use strict";
const { ServerTCP } = require("modbus-serial");

const words = [0x42f6, 0xe979, 0xe979, 0x42f6, 0xf642, 0x79e9, 0x79e9, 0xf642];
function register(address) {
  if (address >= 500) throw { modbusErrorCode: 2, msg: "illegal data address" };
  return address < words.length ? words[address] : 3000 + address;
}
const tellWrite = () => console.log("write");
const vector = {
  getHoldingRegister: register,
  getInputRegister: register,
  getCoil: (address) => address % 2 === 0,
  getDiscreteInput: (address) => address % 3 === 0,
  setRegister: tellWrite,
  setCoil: tellWrite,
};
const server = new ServerTCP(vector, { host: "127.0.0.1", port: Number(process.argv[2]), unitID: 1 });
server.on("initialized", () => console.log(`port ${server._server.address().port}`));
server.on("socketError", () => {});
server.on("serverError", (error) => {
  console.error(error);
  process.exit(1);
});
