build-clang/obj/src/base/fs.o: src/base/fs.c src/base/fs.h src/base/err.h \
  src/base/mem.h

src/base/fs.h:

src/base/err.h:

src/base/mem.h:
