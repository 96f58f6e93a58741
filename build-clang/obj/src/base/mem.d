build-clang/obj/src/base/mem.o: src/base/mem.c src/base/mem.h \
  src/base/err.h

src/base/mem.h:

src/base/err.h:
