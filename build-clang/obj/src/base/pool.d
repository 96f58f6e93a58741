build-clang/obj/src/base/pool.o: src/base/pool.c src/base/pool.h \
  src/base/err.h src/base/sched.h src/base/mem.h

src/base/pool.h:

src/base/err.h:

src/base/sched.h:

src/base/mem.h:
