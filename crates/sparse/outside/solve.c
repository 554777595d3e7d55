/* Solves one complex symmetric system with the MPI multifrontal library of the Debian distribution
 * (packages libmumps-dev, openmpi-bin), which pivots and spreads the work over its ranks.
 *
 *     mpicc -O2 -o solve solve.c -lzmumps
 *     mpirun -n 2 ./solve system.bin answer.bin
 *
 * The formats of both files stand in ../src/exchange.rs. A program of its own: nothing of the library is
 * linked into ours. Exit code 0 with an answer, 1 with a message on standard error. */
#include <mpi.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <zmumps_c.h>

#define USE_COMM_WORLD -987654
#define ICNTL(i) icntl[(i) - 1]
#define INFOG(i) infog[(i) - 1]

static void die(const char *what) {
    fprintf(stderr, "solve: %s\n", what);
    MPI_Abort(MPI_COMM_WORLD, 1);
}

static void *take(FILE *f, size_t size, size_t count, const char *what) {
    void *p = malloc(size * count + 1);
    if (!p || fread(p, size, count, f) != count) die(what);
    return p;
}

int main(int argc, char **argv) {
    int rank, ranks;
    MPI_Init(&argc, &argv);
    MPI_Comm_rank(MPI_COMM_WORLD, &rank);
    MPI_Comm_size(MPI_COMM_WORLD, &ranks);
    if (argc != 3) die("expected two files: the system and the answer");

    ZMUMPS_STRUC_C s;
    memset(&s, 0, sizeof s);
    s.comm_fortran = USE_COMM_WORLD;
    s.par = 1;
    s.sym = 2; /* general symmetric, with pivoting */
    s.job = -1;
    zmumps_c(&s);

    uint64_t sizes[3] = {0, 0, 0};
    if (rank == 0) {
        char mark[8];
        FILE *f = fopen(argv[1], "rb");
        if (!f) die("cannot open the system");
        if (fread(mark, 1, 8, f) != 8 || memcmp(mark, "MWSYS01\n", 8)) die("expected a system, beginning with MWSYS01");
        if (fread(sizes, 8, 3, f) != 3) die("the system ends early");
        s.n = (MUMPS_INT)sizes[0];
        s.nnz = (MUMPS_INT8)sizes[1];
        s.irn = take(f, 4, sizes[1], "the rows end early");
        s.jcn = take(f, 4, sizes[1], "the columns end early");
        s.a = take(f, 16, sizes[1], "the values end early");
        s.rhs = take(f, 16, sizes[0] * sizes[2], "the right-hand sides end early");
        s.nrhs = (MUMPS_INT)sizes[2];
        s.lrhs = s.n;
        fclose(f);
    }
    s.ICNTL(1) = -1; /* silent */
    s.ICNTL(2) = -1;
    s.ICNTL(3) = -1;
    s.ICNTL(4) = 0;
    s.ICNTL(10) = sizes[2] > 1 ? 0 : 2; /* steps of refinement; the library refines single columns only */
    s.ICNTL(14) = 60; /* room for delayed pivots, percent */
    s.job = 6; /* analyse, factor, solve */
    zmumps_c(&s);
    if (s.INFOG(1) < 0) {
        if (rank == 0) fprintf(stderr, "solve: the library stopped with %d, %d\n", s.INFOG(1), s.INFOG(2));
        MPI_Abort(MPI_COMM_WORLD, 1);
    }
    if (rank == 0) {
        FILE *f = fopen(argv[2], "wb");
        uint64_t head[2] = {sizes[0], sizes[2]};
        if (!f) die("cannot write the answer");
        if (fwrite("MWANS01\n", 1, 8, f) != 8 || fwrite(head, 8, 2, f) != 2 ||
            fwrite(s.rhs, 16, sizes[0] * sizes[2], f) != sizes[0] * sizes[2] || fclose(f))
            die("the answer could not be written whole");
        fprintf(stderr, "solve: %d unknowns, %d ranks, %d delayed pivots\n", s.n, ranks,
                s.INFOG(13));
    }
    s.job = -2;
    zmumps_c(&s);
    MPI_Finalize();
    return 0;
}
