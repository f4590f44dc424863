/* The least that drains a backlog over MQTT 3.1.1: one session, QoS 1, each message
 * acknowledged and thrown away. A limit for what a subscriber can do against this broker.
 * null_subscriber PORT NAME TOPIC COUNT: COUNT 0 only makes the session. */
#include <arpa/inet.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

static unsigned char heard[1 << 18], said[1 << 18];

static void die(const char *what) { perror(what); exit(1); }

static void send_all(int to, const unsigned char *from, size_t length) {
    while (length > 0) {
        ssize_t sent = write(to, from, length);
        if (sent <= 0) die("write");
        from += sent;
        length -= (size_t)sent;
    }
}

static size_t text(unsigned char *to, const char *from) {
    size_t length = strlen(from);
    to[0] = (unsigned char)(length >> 8);
    to[1] = (unsigned char)length;
    memcpy(to + 2, from, length);
    return length + 2;
}

int main(int count, char **words) {
    if (count != 5) return 2;
    struct sockaddr_in broker = {.sin_family = AF_INET, .sin_port = htons((unsigned short)atoi(words[1]))};
    broker.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    long wanted = atol(words[4]), taken = 0;
    int to = socket(AF_INET, SOCK_STREAM, 0);
    if (connect(to, (struct sockaddr *)&broker, sizeof broker) != 0) die("connect");
    /* CONNECT: protocol MQTT 4, the session is kept, no keep alive. */
    unsigned char packet[512] = {0x10, 0, 0, 4, 'M', 'Q', 'T', 'T', 4, 0, 0, 0};
    size_t length = 12 + text(packet + 12, words[2]);
    packet[1] = (unsigned char)(length - 2);
    send_all(to, packet, length);
    if (wanted == 0) {
        packet[0] = 0x82, packet[2] = 0, packet[3] = 1;
        length = 4 + text(packet + 4, words[3]);
        packet[length++] = 1;
        packet[1] = (unsigned char)(length - 2);
        send_all(to, packet, length);
    }
    size_t held = 0;
    for (;;) {
        ssize_t read_now = read(to, heard + held, sizeof heard - held);
        if (read_now <= 0) die("read");
        held += (size_t)read_now;
        size_t at = 0, answer = 0;
        for (;;) {
            size_t body = 0, shift = 0, head = at + 1;
            int whole = 0;
            while (head < held && shift < 28) {
                body |= (size_t)(heard[head] & 127) << shift;
                shift += 7;
                if (!(heard[head++] & 128)) { whole = 1; break; }
            }
            if (!whole || head + body > held) break;
            unsigned char kind = heard[at] >> 4;
            if (kind == 9) return 0; /* SUBACK: the session stands */
            if (kind == 3) {
                if (heard[at] & 6) {
                    size_t id = head + 2 + ((size_t)heard[head] << 8 | heard[head + 1]);
                    said[answer++] = 0x40, said[answer++] = 2;
                    said[answer++] = heard[id], said[answer++] = heard[id + 1];
                }
                taken++;
            }
            at = head + body;
        }
        memmove(heard, heard + at, held - at);
        held -= at;
        send_all(to, said, answer);
        if (wanted > 0 && taken >= wanted) return 0;
    }
}
