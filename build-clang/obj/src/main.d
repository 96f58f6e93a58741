build-clang/obj/src/main.o: src/main.c src/cmd.h src/base/err.h

src/cmd.h:

src/base/err.h:
