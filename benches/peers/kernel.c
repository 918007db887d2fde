/* The machine's own pace: the same fit and the same intervals written for six terms and nothing else, without a check
   of any number, compiled for this processor with sums in any order and fused (-O3 -march=native -ffast-math -fopenmp).
   kernel FOLDER ROWS MODEL TIMES: columns of data.py, a text file of 6 coefficients, 21 numbers of the factor of their
   covariance (columns from the diagonal down), squared spread and t. Prints "work seconds" lines. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <omp.h>

enum { P = 6, M = P + 1 };

static double *column(const char *folder, const char *name, long n, long copies) {
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    double *v = aligned_alloc(64, (size_t)n * copies * sizeof(double));
    FILE *f = fopen(path, "rb");
    if (!v || !f || fread(v, sizeof(double), n, f) != (size_t)n) exit(1);
    fclose(f);
    for (long k = 1; k < copies; k++) memcpy(v + k * n, v, n * sizeof(double));
    return v;
}

/* sums of squares and products, a Cholesky, the coefficients */
static double fit(long n, const double *depth, const double *angle, const double *antler, const double *mass) {
    double all[M * M] = {0};
#pragma omp parallel
    {
        double s[M][M] = {{0}}, z[M][256];
#pragma omp for schedule(static)
        for (long from = 0; from < n; from += 256) {
            int k = n - from < 256 ? n - from : 256;
            for (int i = 0; i < k; i++) {
                double l = log(depth[from + i]), a = angle[from + i];
                z[0][i] = 1, z[1][i] = l, z[2][i] = a, z[3][i] = antler[from + i];
                z[4][i] = l * a, z[5][i] = l * l, z[6][i] = log(mass[from + i]);
            }
            for (int a = 0; a < M; a++)
                for (int b = a; b < M; b++) {
                    double sum = 0;
                    for (int i = 0; i < k; i++) sum += z[a][i] * z[b][i];
                    s[a][b] += sum;
                }
        }
#pragma omp critical
        for (int a = 0; a < M; a++)
            for (int b = a; b < M; b++) all[a * M + b] += s[a][b];
    }
    for (int j = 0; j < M; j++) {
        for (int k = 0; k < j; k++)
            for (int i = j; i < M; i++) all[j * M + i] -= all[k * M + j] * all[k * M + i];
        double d = sqrt(all[j * M + j]);
        for (int i = j; i < M; i++) all[j * M + i] /= d;
    }
    double b[P];
    for (int j = P - 1; j >= 0; j--) {
        b[j] = all[j * M + P];
        for (int i = j + 1; i < P; i++) b[j] -= all[j * M + i] * b[i];
        b[j] /= all[j * M + j];
    }
    return b[1];
}

static void intervals(long n, const double *depth, const double *angle, const double *antler, const double *w,
                      double *low, double *mid, double *high) {
    const double *b = w, *f = w + P, s2 = w[P + 21], t = w[P + 22];
#pragma omp parallel for simd schedule(static)
    for (long i = 0; i < n; i++) {
        double l = log(depth[i]), a = angle[i], c = antler[i], la = l * a, ll = l * l;
        double m = b[0] + b[1] * l + b[2] * a + b[3] * c + b[4] * la + b[5] * ll;
        double z0 = f[0] + f[1] * l + f[2] * a + f[3] * c + f[4] * la + f[5] * ll;
        double z1 = f[6] * l + f[7] * a + f[8] * c + f[9] * la + f[10] * ll;
        double z2 = f[11] * a + f[12] * c + f[13] * la + f[14] * ll;
        double z3 = f[15] * c + f[16] * la + f[17] * ll;
        double z4 = f[18] * la + f[19] * ll, z5 = f[20] * ll;
        double h = t * sqrt(s2 + z0 * z0 + z1 * z1 + z2 * z2 + z3 * z3 + z4 * z4 + z5 * z5);
        double e = exp(m), k = exp(h);
        mid[i] = e, low[i] = e / k, high[i] = e * k;
    }
}

int main(int argc, char **argv) {
    if (argc < 5) return 2;
    long rows = atol(argv[2]);
    int times = atoi(argv[4]);
    double w[P + 23];
    FILE *f = fopen(argv[3], "r");
    for (int i = 0; i < P + 23; i++)
        if (!f || fscanf(f, "%lf", &w[i]) != 1) return 1;
    for (int copies = 1; copies <= 10; copies += 9) {
        long n = rows * copies;
        double *depth = column(argv[1], "depth", rows, copies), *angle = column(argv[1], "angle", rows, copies);
        double *antler = column(argv[1], "class", rows, copies), *mass = column(argv[1], "mass", rows, copies);
        double *low = calloc(n, 8), *mid = calloc(n, 8), *high = calloc(n, 8);
        for (int k = -1; k < times; k++) {
            double start = omp_get_wtime();
            double b = copies == 1 ? fit(n, depth, angle, antler, mass) : 0;
            double between = omp_get_wtime();
            intervals(n, depth, angle, antler, w, low, mid, high);
            double end = omp_get_wtime();
            if (k < 0) {
                if (copies == 1) printf("told %.17g %.17g\n", b, high[0]);
                continue;
            }
            if (copies == 1) printf("fit %.9e\n", between - start);
            printf("%s %.9e\n", copies == 1 ? "intervals" : "intervals-10x", end - between);
        }
        free(depth), free(angle), free(antler), free(mass), free(low), free(mid), free(high);
    }
    return 0;
}
