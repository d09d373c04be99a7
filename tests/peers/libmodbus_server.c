/* A Modbus TCP server made with libmodbus, on a free port of the loopback that it prints as "port N".
 *
 * The numbers are laid down register by register from their IEEE 754 bits: the float helpers of the library are not used.
 *
 *   holding  0..9    1000 + address          input  0..9   2000 + address
 *   holding 100      123.456 as ABCD         102 CDAB      104 BADC      106 DCBA
 *   coil     even addresses are on           discrete   multiples of three are on
 *   holding 200..    nothing: exception 2
 *
 * For each function code it answers it prints "function N", so that a test sees what arrived.
 */
#include <arpa/inet.h>
#include <modbus.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

static uint16_t swapped(uint16_t word) { return (uint16_t)((word << 8) | (word >> 8)); }

static void fail(const char *what) {
    perror(what);
    exit(1);
}

int main(void) {
    modbus_t *context = modbus_new_tcp("127.0.0.1", 0);
    modbus_mapping_t *map = modbus_mapping_new(100, 100, 200, 200);
    if (context == NULL || map == NULL) fail("libmodbus");

    for (int i = 0; i < 10; i++) {
        map->tab_registers[i] = (uint16_t)(1000 + i);
        map->tab_input_registers[i] = (uint16_t)(2000 + i);
    }
    for (int i = 0; i < 100; i++) {
        map->tab_bits[i] = i % 2 == 0;
        map->tab_input_bits[i] = i % 3 == 0;
    }
    const uint16_t high = 0x42F6, low = 0xE979;
    const uint16_t forms[8] = {high, low, low, high, swapped(high), swapped(low), swapped(low), swapped(high)};
    memcpy(&map->tab_registers[100], forms, sizeof forms);

    int listener = socket(AF_INET, SOCK_STREAM, 0);
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = 0, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t length = sizeof address;
    if (listener < 0 || bind(listener, (struct sockaddr *)&address, sizeof address) < 0) fail("bind");
    if (listen(listener, 8) < 0 || getsockname(listener, (struct sockaddr *)&address, &length) < 0) fail("listen");
    printf("port %d\n", ntohs(address.sin_port));
    fflush(stdout);

    fd_set open;
    FD_ZERO(&open);
    FD_SET(listener, &open);
    int highest = listener;
    for (;;) {
        fd_set ready = open;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 0) fail("select");
        for (int wire = 0; wire <= highest; wire++) {
            if (!FD_ISSET(wire, &ready)) continue;
            if (wire == listener) {
                int fresh = accept(listener, NULL, NULL);
                if (fresh < 0) continue;
                FD_SET(fresh, &open);
                if (fresh > highest) highest = fresh;
                continue;
            }
            uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
            modbus_set_socket(context, wire);
            int size = modbus_receive(context, query);
            if (size > 0) {
                printf("function %d\n", query[modbus_get_header_length(context)]);
                fflush(stdout);
                modbus_reply(context, query, size, map);
            } else if (size < 0) {
                close(wire);
                FD_CLR(wire, &open);
            }
        }
    }
}
