/* Filters the samples on standard input (one number a line) by the list named in the call.
   cc -o reader reader.c -lm */
#include <math.h>
#include <stdio.h>
#include <string.h>

int main(int argc, char **argv) {
    FILE *list = argc > 1 ? fopen(argv[1], "rb") : NULL;
    char line[512];
    double gain_db = 0, sign = -1, b[100][3], a[100][2], x[100][2] = {{0}}, y[100][2] = {{0}}, in;
    unsigned crc = ~0u, wanted = 0, n = 0, count = 0;
    while (list && fgets(line, sizeof line, list)) {
        if (sscanf(line, "end %u crc32=%8x", &count, &wanted) == 2) break;
        for (char *c = line; *c; c++) {
            crc ^= (unsigned char)*c;
            for (int bit = 0; bit < 8; bit++) crc = crc >> 1 ^ (crc & 1 ? 0xedb88320u : 0);
        }
        sscanf(line, "gain_db %lf", &gain_db);
        if (!strncmp(line, "equation ", 9)) sign = strchr(line, '-') ? -1 : 1;
        if (n < 100) sscanf(line, "b %lf %lf %lf", &b[n][0], &b[n][1], &b[n][2]);
        if (n < 100) n += sscanf(line, "a %lf %lf", &a[n][0], &a[n][1]) == 2;
    }
    if (~crc != wanted || n != count) return fprintf(stderr, "no filter list with coefficients, or it was changed\n"), 1;
    while (scanf("%lf", &in) == 1) {
        double signal = pow(10, gain_db / 20) * in;
        for (unsigned k = 0; k < n; k++) {
            double y0 = b[k][0] * signal + b[k][1] * x[k][0] + b[k][2] * x[k][1] + sign * (a[k][0] * y[k][0] + a[k][1] * y[k][1]);
            x[k][1] = x[k][0], x[k][0] = signal, y[k][1] = y[k][0], y[k][0] = signal = y0;
        }
        printf("%.17g\n", signal);
    }
    return 0;
}
