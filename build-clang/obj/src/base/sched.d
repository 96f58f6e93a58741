build-clang/obj/src/base/sched.o: src/base/sched.c src/base/sched.h \
  src/base/err.h src/base/mem.h

src/base/sched.h:

src/base/err.h:

src/base/mem.h:
